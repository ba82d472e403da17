"""Proposes a mapping for an unknown host's answer: what in it can be a mesh, ranked, with what is not sure of it."""

from farmwatch.collect.proposal.proposing import Proposal, propose
from farmwatch.collect.proposal.search import FoundHost, search_hosts
from farmwatch.collect.proposal.toml import toml_block

__all__ = ["FoundHost", "Proposal", "propose", "search_hosts", "toml_block"]
