"""The book as it stood at an earlier time, told from what had happened by then. Pure: tickets, events and time in.

Events tell phases and hours of work, not numbers: what a later refresh may have overwritten (range, plan, advice,
remark, temperature) is left empty rather than told from the future. The due day stays: it is only ever drawn nearer,
never to a day that is past, so that whether a ticket was late then can be told from the day it has now.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import datetime

from farmwatch.tickets.phases import CLOSED
from farmwatch.tickets.ticket import Ticket, TicketEvent

__all__ = ["as_of"]


def as_of(tickets: Iterable[Ticket], events: Iterable[TicketEvent], at: datetime) -> list[Ticket]:
    """The tickets that were there at `at` (aware), in the phases they had then; `events` in any order of tickets."""
    past: dict[int, list[TicketEvent]] = {}
    for event in events:
        if event.at <= at:
            past.setdefault(event.number, []).append(event)
    return [_then(ticket, past[ticket.number]) for ticket in tickets if ticket.number in past]


def _then(ticket: Ticket, past: Sequence[TicketEvent]) -> Ticket:
    last = past[-1]
    work_from = work_until = None
    for event in past:
        if event.action == "take":
            work_from, work_until = event.at, None
        elif event.action == "put-back":
            work_from = None
        elif event.action in ("done", "nothing-found"):
            work_until = event.at
    # A closed ticket is never opened again: what was written as it closed still stands.
    closed = last.to_phase in CLOSED
    return replace(
        ticket,
        phase=last.to_phase,
        revision=len(past),
        changed_at=last.at,
        work_from=work_from,
        work_until=work_until,
        method=ticket.method if closed else None,
        closed_at=last.at if closed else None,
        closed_range_mm=ticket.closed_range_mm if closed else None,
        accepted_limit_mm=ticket.accepted_limit_mm if closed else None,
        accepted_until=ticket.accepted_until if closed else None,
        range_mm=None,
        predicted_mm=None,
        advice=(),
        plan={},
        bed_celsius=None,
        remark="",
    )
