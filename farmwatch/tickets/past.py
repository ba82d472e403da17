"""What the events of tickets tell of an earlier time: how each stood then, who had it, when work was done. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import datetime

from farmwatch.store.records import standing
from farmwatch.tickets.phases import CLOSED
from farmwatch.tickets.ticket import Ticket, TicketEvent

__all__ = ["as_of", "not_undone", "owner_of", "work_span"]


def as_of(tickets: Iterable[Ticket], events: Iterable[TicketEvent], at: datetime) -> list[Ticket]:
    """The tickets that were there at `at` (aware), in the phases they had then; `events` in any order of tickets.

    Events tell phases and hours of work, not numbers: what a later refresh may have overwritten (range, plan, advice,
    remark, temperature) is left empty rather than told from the future. The due day stays: it is only ever drawn
    nearer, never to a day that is past, so that whether a ticket was late then can be told from the day it has now.
    """
    past: dict[int, list[TicketEvent]] = {}
    opened_again: set[int] = set()
    for event in events:
        if event.at <= at:
            past.setdefault(event.number, []).append(event)
        elif event.action in ("reopen", "undo"):
            opened_again.add(event.number)
    return [
        _as_of(ticket, past[ticket.number], ticket.number in opened_again)
        for ticket in tickets
        if ticket.number in past
    ]


def not_undone(events: Iterable[TicketEvent]) -> list[TicketEvent]:
    """The events of one ticket, in time order, without those that were undone and what undid them."""
    known = list(events)
    return [known[i] for i in standing([event.action for event in known])]


def work_span(events: Iterable[TicketEvent]) -> tuple[datetime | None, datetime | None]:
    """When the last work of one ticket began and when it was said to be done, from its events in time order."""
    work_from: datetime | None = None
    work_until: datetime | None = None
    for event in not_undone(events):
        if event.action == "take":
            work_from, work_until = event.at, None
        elif event.action == "put-back":
            work_from = None
        elif event.action in ("done", "nothing-found"):
            work_until = event.at
    return work_from, work_until


def owner_of(events: Iterable[TicketEvent]) -> str:
    """Who has the ticket: who took it last, or whom it was given to; empty where nobody has it."""
    owner = ""
    for event in not_undone(events):
        if event.action == "take":
            owner = event.by
        elif event.action == "assign":
            owner = event.why
        elif event.action == "put-back":
            owner = ""
    return owner


def _as_of(ticket: Ticket, past: Sequence[TicketEvent], opened_again: bool) -> Ticket:
    last = past[-1]
    work_from, work_until = work_span(past)
    closed = last.to_phase in CLOSED
    # What was written as it closed still stands, unless it was opened again since.
    terms = closed and not opened_again
    return replace(
        ticket,
        phase=last.to_phase,
        revision=len(past),
        changed_at=last.at,
        work_from=work_from,
        work_until=work_until,
        method=ticket.method if closed else None,
        closed_at=last.at if closed else None,
        closed_range_mm=ticket.closed_range_mm if terms else None,
        accepted_limit_mm=ticket.accepted_limit_mm if terms else None,
        accepted_until=ticket.accepted_until if terms else None,
        range_mm=None,
        predicted_mm=None,
        advice=(),
        plan={},
        bed_celsius=None,
        remark="",
    )
