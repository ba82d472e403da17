"""Damaged answers: never a crash, always an outcome, and what is accepted is a mesh.

Two hundred here; `python tests/benchmarks/fuzz_answers.py --count 100000` is the long form.
"""

from __future__ import annotations

from functools import cache
from random import Random
from typing import Any

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from farmwatch.collect import PollError, Reader
from farmwatch.collect.proposal import Proposal, propose
from farmwatch.config import Mapping
from farmwatch.mesh import Mesh
from farmwatch.outcomes import OUTCOMES
from tests.collect.corpus import cases
from tests.collect.mutations import mutated

__all__ = ["answers", "check"]


@cache
def answers() -> list[tuple[bytes, Reader]]:
    """Whole answers, each with the mapping that reads it."""
    found = [(case.body, _filled_in(propose(case.body)[0])) for case in cases(40, seed=7)]
    return [(body, Reader(Mapping(name="survey", path="/", **fields))) for body, fields in found]


def _filled_in(proposal: Proposal) -> dict[str, Any]:
    """The keys of a mapping, with coordinates where a person has to write them."""
    return proposal.fields | dict.fromkeys(proposal.made_up, (10.0, 210.0))


def check(body: bytes, reader: Reader) -> str:
    """Read and propose for one damaged answer; returns the outcome. Fails for anything but an outcome."""
    try:
        mesh, outcome = reader.read(body).mesh, "new"
        # What is accepted passes every check again, and is no nonsense.
        assert Mesh.accept(mesh.x, mesh.y, mesh.z).same_as(mesh)
        assert 0 <= mesh.range_mm <= 20
    except PollError as caught:
        trouble, outcome = caught, caught.outcome
    else:
        trouble = None
    assert trouble is None or (trouble.reason.isprintable() and 5 < len(trouble.reason) < 400)
    assert outcome in OUTCOMES
    _propose(body)
    return outcome


def _propose(body: bytes) -> None:
    try:
        scores = [proposal.score for proposal in propose(body)]
    except PollError as caught:
        scores, outcome = [], caught.outcome
        assert outcome in ("garbled", "no-mesh")
    assert np.isfinite(scores).all()


@settings(max_examples=100, deadline=None)
@given(st.integers(0, 39), st.integers(0, 2**32))
def test_damaged_answers(number, seed):
    body, reader = answers()[number]
    check(mutated(body, Random(seed)), reader)


@settings(max_examples=100, deadline=None)
@given(st.integers(0, 39), st.binary(max_size=200))
def test_noise(number, body):
    check(body, answers()[number][1])


def test_whole_answers_are_read():
    """The negative control: undamaged, every one is a mesh."""
    for body, reader in answers():
        assert check(body, reader) == "new"
