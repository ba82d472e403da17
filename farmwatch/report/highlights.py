"""What stands on the first page in a line each beside the decisions: work under way, chores, what comes. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import tzinfo

from farmwatch.judge import FleetAssessment
from farmwatch.report.decisions import host_at_fault, is_to_probe
from farmwatch.report.groups import Groups, is_checked_since, worst_first
from farmwatch.report.ticket_facts import TicketRef
from farmwatch.report.upcoming import DueMachine
from farmwatch.text import day_of, joined, mm, shortened
from farmwatch.tickets import Ticket

__all__ = ["Highlight", "find_highlights"]

_NAMES = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Highlight:
    """What else is in the report, in a line: a label, names, and the id of the section that has all of it."""

    label: str
    words: str
    behind: str


def find_highlights(
    now: FleetAssessment, groups: Groups, refs: Mapping[str, TicketRef], due: Sequence[DueMachine], zone: tzinfo
) -> tuple[Highlight, ...]:
    """What is no decision, a line each: work under way, checks and chores, what is coming and what is left alone."""
    today = now.at.astimezone(zone).date()
    tickets = groups.tickets
    under_way = [
        m.machine
        for m in worst_first(groups.working)
        if (t := tickets.get(m.machine)) is not None
        and t.phase in ("approved", "in-work")
        and not (t.due is not None and t.due < today)
    ]
    to_probe = [m.machine for m in groups.awaiting if not is_checked_since(m, tickets[m.machine])]
    waiting = [m.machine for m in groups.awaiting if m.machine not in to_probe]
    again = [m.machine for m in worst_first(groups.working) if is_to_probe(m, tickets.get(m.machine))]
    hosts = [m.machine for m in groups.working if host_at_fault(m)]
    never = [m.machine for m in groups.working if m.reading is None and m.machine not in set(hosts)]
    rows = [
        ("With the bench", joined([_with_owner(name, refs[name]) for name in under_way], _NAMES), "sheets"),
        ("Not checked: probe hot", _named(to_probe), "slips"),
        ("Next mesh decides", _named(waiting), "slips"),
        ("Probe again hot", _named(again), "fleet"),
        ("Fix the host", _named(hosts), "unseen"),
        ("Get a first mesh", _named(never), "unseen"),
        ("Coming in four weeks", joined([f"{shortened(d.machine, 20)} ({d.day})" for d in due], 3), "due"),
        ("Accepted", joined([_accepted(t, zone) for t in groups.accepted.values()], 2), "fleet"),
        ("Out of service", _named([m.machine for m in now.machines if not m.in_service]), "out"),
    ]
    return tuple(Highlight(label=label, words=words, behind=behind) for label, words, behind in rows if words)


def _named(machines: Iterable[str]) -> str:
    """The first machines by name, the rest counted."""
    return joined([shortened(name, 20) for name in machines], _NAMES)


def _with_owner(machine: str, ticket: TicketRef) -> str:
    name = shortened(machine, 20)
    return f"{name} ({shortened(ticket.owner, 16)})" if ticket.owner else name


def _accepted(ticket: Ticket, zone: tzinfo) -> str:
    limit = "" if ticket.accepted_limit_mm is None else f"up to {mm(ticket.accepted_limit_mm, 2)} mm"
    until = "" if ticket.accepted_until is None else f"until {day_of(ticket.accepted_until, zone)}"
    said = " ".join(part for part in (limit, until) if part)
    return f"{shortened(ticket.machine, 20)} ({said})" if said else shortened(ticket.machine, 20)
