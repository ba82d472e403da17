"""The book of tickets as the report sees it: how it stood at the report's time, and a week before. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, tzinfo
from types import MappingProxyType

from farmwatch.judge import Assessment, FleetAssessment
from farmwatch.text import day, day_of
from farmwatch.tickets import Figures, Ticket, TicketEvent, as_of, owner_of, phases

__all__ = [
    "PHASE_WORDS", "TicketFacts", "TicketRef", "accepted_machines", "find_ticket_facts", "open_tickets", "ticket_refs",
]  # fmt: skip

PHASE_WORDS: Mapping[phases.Phase, str] = MappingProxyType(
    {
        "proposed": "proposed",
        "approved": "approved",
        "in-work": "in work",
        "proving": "awaiting its check",
        "proven": "held",
        "came-back": "failed its check",
        "accepted": "accepted",
        "nothing-found": "nothing found",
        "withdrawn": "withdrawn",
    }
)
"""Phases as people read them; the codes stay in JSON and in the database."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TicketFacts:
    """Tickets as they stood at the report's time and a week before, and what had happened by then."""

    now: tuple[Ticket, ...] = ()
    before: tuple[Ticket, ...] = ()
    events: tuple[TicketEvent, ...] = ()
    figures: Figures | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class TicketRef:
    """A ticket beside its machine: number, phase in words, the day it came into it, and the day it is due."""

    number: int
    phase: str
    since: str
    due: str
    """Empty where no day is set or the ticket is closed."""
    late: bool
    owner: str
    """Who has it; empty where nobody has, or it is closed."""


def find_ticket_facts(
    tickets: Sequence[Ticket], events: Sequence[TicketEvent], now: FleetAssessment, before: datetime
) -> TicketFacts:
    """The book at `now.at` and at `before` (aware), from all that stands in it; what came later counts for nothing.

    A ticket's plan at a past time is not on record: open work is counted by what the machine wants at `now.at`.
    """
    then = as_of(tickets, events, now.at)
    machines = {m.machine: m for m in now.machines}
    models = {m.machine: m.model.name for m in now.machines}
    past = tuple(event for event in events if event.at <= now.at)
    planned = [_with_plan(ticket, machines.get(ticket.machine)) for ticket in then]
    return TicketFacts(
        now=tuple(planned),
        before=tuple(as_of(tickets, events, before)),
        events=past,
        figures=Figures.of(planned, past, models, now.at) if planned else None,
    )


def open_tickets(tickets: Sequence[Ticket]) -> dict[str, Ticket]:
    """The open ticket of each machine that has one for its bed, by machine; hosts have tickets of their own."""
    return {ticket.machine: ticket for ticket in tickets if ticket.is_open and ticket.cause != "host"}


def accepted_machines(machines: Sequence[Assessment], tickets: Sequence[Ticket], at: datetime) -> dict[str, Ticket]:
    """Machines past the limit that were accepted as they are, each with the ticket that says so."""
    by_machine: dict[str, list[Ticket]] = {}
    for ticket in tickets:
        if ticket.phase == "accepted":
            by_machine.setdefault(ticket.machine, []).append(ticket)
    found = {}
    for machine in machines:
        mine = [
            t
            for t in by_machine.get(machine.machine, ())
            if t.cause != "host" and t.accepts(machine.condition_range_mm, at)
        ]
        if mine and machine.condition == "past-limit":
            found[machine.machine] = mine[-1]
    return found


def ticket_refs(
    tickets: Mapping[str, Ticket], events: Sequence[TicketEvent], today: date, zone: tzinfo
) -> dict[str, TicketRef]:
    """The ticket that stands beside each machine's name; `events` are all of them, in time order."""
    mine: dict[int, list[TicketEvent]] = {}
    for event in events:
        mine.setdefault(event.number, []).append(event)
    return {name: _ref(ticket, mine.get(ticket.number, ()), today, zone) for name, ticket in tickets.items()}


def _ref(ticket: Ticket, events: Sequence[TicketEvent], today: date, zone: tzinfo) -> TicketRef:
    entered = [event.at for event in events if event.from_phase != event.to_phase]
    due = "" if ticket.due is None else day(ticket.due, year=False)
    late = ticket.is_open and ticket.due is not None and ticket.due < today
    return TicketRef(
        number=ticket.number,
        phase=PHASE_WORDS[ticket.phase],
        since=day_of(entered[-1] if entered else ticket.opened_at, zone, year=False),
        due=due if ticket.is_open else "",
        late=late,
        owner=owner_of(events) if ticket.is_open else "",
    )


def _with_plan(ticket: Ticket, machine: Assessment | None) -> Ticket:
    if machine is None or not ticket.is_open or ticket.cause == "host":
        return ticket
    return ticket.planned(machine.advice, machine.plan)
