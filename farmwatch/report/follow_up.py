"""What became of last week's list: the machines that needed hands a week ago, and those whose tickets were open. Pure.

What a person wrote on a ticket stays in the audit, who did it too: the report says what happened to the machine.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo
from typing import Literal

from farmwatch.judge import Assessment, FleetAssessment
from farmwatch.report.groups import sort_machines
from farmwatch.report.ticket_facts import PHASE_WORDS, TicketFacts
from farmwatch.text import count, day_of, joined, mm
from farmwatch.tickets import Ticket, TicketEvent

__all__ = ["FollowUp", "find_follow_ups", "follow_ups_in_short"]

FollowUpOutcome = Literal[
    "proven", "done", "came back", "accepted", "nothing found", "withdrawn", "right again", "not done", "taken out"
]
_IN_SHORT: dict[FollowUpOutcome, str] = {
    "proven": "held",
    "done": "awaiting their check",
    "came back": "failed their check",
    "accepted": "accepted",
    "nothing found": "with nothing found",
    "withdrawn": "withdrawn",
    "right again": "right again by itself",
    "taken out": "out of service",
    "not done": "not done",
}
_NOT_DONE = {"proposed": "proposed, not approved", "approved": "approved, not begun"}


@dataclass(frozen=True, slots=True, kw_only=True)
class FollowUp:
    """One machine of last week's list and what became of it."""

    machine: str
    aisle: str
    before_mm: float | None
    now_mm: float | None
    outcome: FollowUpOutcome
    words: str
    """The outcome in a sentence."""
    ticket: int | None


def find_follow_ups(
    now: FleetAssessment, before: FleetAssessment, book: TicketFacts, zone: tzinfo
) -> tuple[FollowUp, ...]:
    """Last week's list in its order: worst first, then as good as teeth allow, then what else had an open ticket."""
    events: dict[int, list[TicketEvent]] = {}
    for event in book.events:
        events.setdefault(event.number, []).append(event)
    mine: dict[str, list[Ticket]] = {}
    for one in book.now:
        if one.cause != "host":
            mine.setdefault(one.machine, []).append(one)
    was_open = {t.number for t in book.before if t.is_open}
    here = {machine.machine: machine for machine in now.machines}
    found = []
    for name, was in _listed(before, book).items():
        week = [t for t in mine.get(name, ()) if t.number in was_open or t.opened_at > before.at]
        ticket = week[-1] if week else None
        outcome, words = _follow_up(here.get(name), ticket, events, now.at, zone)
        if ticket is not None and ticket.phase == "proposed" and any(t.phase == "proven" for t in week):
            outcome, words = "came back", "held its check, then past the limit again within the week"
        found.append(_row(name, was, here.get(name), ticket, outcome, words))
    return tuple(found)


def follow_ups_in_short(rows: Sequence[FollowUp]) -> str:
    """3 proven, 1 came back and 4 not done."""
    counts = Counter(row.outcome for row in rows)
    return joined([f"{counts[outcome]:,} {said}" for outcome, said in _IN_SHORT.items() if counts[outcome]])


def _listed(before: FleetAssessment, book: TicketFacts) -> dict[str, Assessment | None]:
    """Who stood on last week's list, with the assessment of then (None: it was no machine of the farm)."""
    then = {machine.machine: machine for machine in before.machines}
    groups = sort_machines(before, book.before)
    listed: dict[str, Assessment | None] = {m.machine: m for m in (*groups.needing, *groups.floor)}
    for ticket in book.before:
        if ticket.is_open and ticket.cause != "host":
            listed.setdefault(ticket.machine, then.get(ticket.machine))
    return listed


def _follow_up(
    machine: Assessment | None,
    ticket: Ticket | None,
    events: Mapping[int, Sequence[TicketEvent]],
    at: datetime,
    zone: tzinfo,
) -> tuple[FollowUpOutcome, str]:
    if ticket is not None and not ticket.is_open:
        return _closed(ticket, events[ticket.number], zone)
    if ticket is not None and ticket.phase in ("proving", "came-back"):
        return _worked_on(ticket, events[ticket.number], zone)
    if machine is None:
        return "taken out", "no longer among the machines"
    if not machine.in_service:
        return "taken out", "taken out of service"
    right = machine.condition in ("ideal", "usable")
    if ticket is None:
        return ("right again", "within the limit, with no ticket") if right else ("not done", "no ticket yet")
    if right:
        return "right again", f"within the limit; its ticket is still {PHASE_WORDS[ticket.phase]}"
    return "not done", f"{_NOT_DONE.get(ticket.phase, 'begun, not done')}, open for {_days(ticket, at)}"


def _days(ticket: Ticket, at: datetime) -> str:
    return count(max(0, (at - ticket.opened_at).days), "day")


def _worked_on(ticket: Ticket, events: Sequence[TicketEvent], zone: tzinfo) -> tuple[FollowUpOutcome, str]:
    last = _entered(ticket, events)
    when = day_of(last.at, zone, year=False)
    if ticket.phase == "proving":
        return "done", f"work done on {when}; the next meshes show whether it holds"
    return "came back", f"failed its check on {when}{_said(last)}"


def _closed(ticket: Ticket, events: Sequence[TicketEvent], zone: tzinfo) -> tuple[FollowUpOutcome, str]:
    last = _entered(ticket, events)
    when = day_of(last.at, zone, year=False)
    if ticket.phase == "accepted":
        limit = "" if ticket.accepted_limit_mm is None else f" up to {mm(ticket.accepted_limit_mm, 2)} mm"
        until = "" if ticket.accepted_until is None else f" until {day_of(ticket.accepted_until, zone)}"
        return "accepted", f"accepted as it is{limit}{until}"
    if ticket.phase == "nothing-found":
        return "nothing found", f"nothing was found at the machine on {when}"
    if ticket.phase == "withdrawn":
        return "withdrawn", f"withdrawn on {when}{_said(last)}"
    return "proven", f"held on {when}{_said(last)}"


def _entered(ticket: Ticket, events: Sequence[TicketEvent]) -> TicketEvent:
    """The event that brought the ticket into its phase."""
    return [event for event in events if event.to_phase == ticket.phase and event.from_phase != event.to_phase][-1]


def _said(event: TicketEvent) -> str:
    """Why, where readings decided; a person's words may hold names, and a person may share the program's."""
    decided = event.action in ("prove", "fail") or event.replaced
    return f": {event.why.removesuffix('.')}" if decided and event.why else ""


def _row(
    name: str,
    was: Assessment | None,
    machine: Assessment | None,
    ticket: Ticket | None,
    outcome: FollowUpOutcome,
    words: str,
) -> FollowUp:
    one = machine or was
    return FollowUp(
        machine=name,
        aisle=one.aisle if one else "",
        before_mm=was.condition_range_mm if was else None,
        now_mm=machine.condition_range_mm if machine else None,
        outcome=outcome,
        words=words,
        ticket=ticket.number if ticket else None,
    )
