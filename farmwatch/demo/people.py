"""What people do in the invented farm: their notes, machines taken out, and what they do with tickets."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import datetime, timedelta
from functools import partial

from farmwatch.demo.truth import MachineTruth, TicketDeed
from farmwatch.history import Note, OutOfService
from farmwatch.store import Store
from farmwatch.tickets import Ticket, TicketRepository

__all__ = ["Entry", "entries"]

Entry = Callable[[Store], None]
"""Enters one thing into the store."""

TECHNICIANS = ("bench 1", "bench 2")
MANAGER = "office"


def entries(farm: tuple[MachineTruth, ...], end: datetime) -> list[tuple[datetime, Entry]]:
    """All that people enter, each with its moment, in time order."""
    return sorted((entry for machine in farm for entry in _of_machine(machine, end)), key=lambda entry: entry[0])


def _of_machine(machine: MachineTruth, end: datetime) -> Iterator[tuple[datetime, Entry]]:
    technician = _technician(machine.name)
    for note in machine.notes:
        at = end - timedelta(days=note.days_before)
        said = Note(machine=machine.name, at=at, what=note.what, by=technician, text=note.text)
        yield at, partial(Store.add_note, note=said)
    if machine.out is not None:
        since = end - timedelta(days=machine.out.days_before)
        yield (
            since,
            partial(Store.take_out, out=OutOfService(machine=machine.name, since=since, reason=machine.out.reason)),
        )
    for deed in machine.deeds:
        at = end - timedelta(days=deed.days_before)
        yield at, partial(_act, machine=machine.name, deed=deed, at=at, end=end)


def _act(store: Store, *, machine: str, deed: TicketDeed, at: datetime, end: datetime) -> None:
    """Do it where the machine has an open ticket for which it is possible: a short history may hold none yet."""
    book = TicketRepository(store)
    for ticket in book.tickets([machine]):
        if ticket.is_open and deed.deed in ticket.possible:
            technician = _technician(machine)
            by = technician if deed.deed in ("take", "done") else MANAGER
            change = partial(_written, deed=deed, at=at, end=end)
            book.act(ticket.number, deed.deed, at=at, by=by, change=change)
            if deed.deed == "approve":
                book.act(ticket.number, "assign", at=at, by=MANAGER, why=technician)


def _technician(machine: str) -> str:
    """Who looks after a machine: the even numbers are the second bench's."""
    return TECHNICIANS[sum(map(ord, machine)) % len(TECHNICIANS)]


def _written(ticket: Ticket, *, deed: TicketDeed, at: datetime, end: datetime) -> Ticket:
    """What the deed writes on the ticket, as the commands do."""
    if deed.deed == "take":
        return replace(ticket, work_from=at, work_until=None)
    if deed.deed == "done":
        return replace(ticket, work_until=at, method=ticket.advice[0])
    if deed.deed == "accept":
        until = None if deed.until_days_after is None else end + timedelta(days=deed.until_days_after)
        return replace(
            ticket,
            closed_at=at,
            closed_range_mm=ticket.range_mm,
            accepted_limit_mm=deed.limit_mm,
            accepted_until=until,
        )
    return ticket
