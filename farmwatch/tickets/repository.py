"""The book of tickets in the farm's database: every change in one transaction, with its event."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

import duckdb

from farmwatch.errors import InputError
from farmwatch.store import Store, ticket_sql
from farmwatch.text import ago
from farmwatch.tickets.past import not_undone, work_span
from farmwatch.tickets.phases import CLOSED, Action, Phase, follows
from farmwatch.tickets.ticket import Ticket, TicketEvent
from farmwatch.times import BELIEVED_AHEAD, from_micros, micros

__all__ = ["TicketRepository", "TicketTransaction"]

UNDONE_WITHIN = timedelta(days=1)


class TicketRepository:
    """Tickets, their events and moves. Raises StoreError, and InputError for what cannot follow."""

    def __init__(self, store: Store) -> None:
        self._database = store.database

    def tickets(self, names: Sequence[str] | None = None) -> list[Ticket]:
        """All tickets (of the machines named), by number."""
        wanted = None if names is None else list(names)
        with self._database.reading() as con:
            return [_ticket(row) for row in con.execute(ticket_sql.TICKETS, {"names": wanted}).fetchall()]

    def ticket(self, number: int) -> Ticket:
        """One ticket; raises InputError where there is none of that number."""
        with self._database.reading() as con:
            return _read(con, number)

    def events(self, number: int | None = None) -> list[TicketEvent]:
        """What happened to one ticket, or to all, in time order."""
        with self._database.reading() as con:
            return _events(con, number)

    def act(
        self,
        number: int,
        action: Action,
        *,
        at: datetime,
        by: str,
        why: str = "",
        change: Callable[[Ticket], Ticket] | None = None,
    ) -> Ticket:
        """Take one ticket to the phase that `action` leads to, in one transaction with its event.

        `change` may rewrite other fields (and refuse by raising). Of two who act at once the second sees what the
        first has done, and is told so. Raises InputError where the action cannot follow.
        """
        with self._database.writing() as con:
            return TicketTransaction(con).act(number, action, at=at, by=by, why=why, change=change)

    def undo(self, number: int, *, at: datetime, by: str) -> TicketEvent:
        """Take back the last step of a ticket, a person's and no older than a day, and return it.

        Raises InputError where there is none: the program's own steps follow from readings, and an opening is ended by
        withdrawing the ticket.
        """
        with self._database.writing() as con:
            return TicketTransaction(con).undo(number, at=at, by=by)

    def open_by_hand(self, draft: Ticket, *, by: str, why: str) -> Ticket:
        """Open a ticket that a person wants; raises InputError where one is open for the machine already."""
        with self._database.writing() as con:
            transaction = TicketTransaction(con)
            transaction.refuse_second(draft.machine, draft.cause)
            return transaction.open(draft, by=by, why=why)

    def together(self, changes: Callable[[TicketTransaction], None]) -> None:
        """Several changes in one transaction: all of them stand, or none."""
        with self._database.writing() as con:
            changes(TicketTransaction(con))


class TicketTransaction:
    """Changes to the book inside one open transaction."""

    def __init__(self, con: duckdb.DuckDBPyConnection) -> None:
        self.con = con

    def tickets(self) -> list[Ticket]:
        """All tickets as they stand in this transaction."""
        return [_ticket(row) for row in self.con.execute(ticket_sql.TICKETS, {"names": None}).fetchall()]

    def open(self, draft: Ticket, *, by: str, why: str) -> Ticket:
        """Enter a new ticket under the next number; the draft's own number is ignored."""
        row = self.con.execute(ticket_sql.NEXT_NUMBER).fetchone()
        assert row is not None  # an aggregate without GROUP BY always gives one row
        ticket = replace(draft, number=int(row[0]))
        self.con.execute(ticket_sql.INSERT_TICKET, _row(ticket))
        self._enter(ticket, "propose", None, by, why, ticket.opened_at)
        return ticket

    def act(
        self,
        number: int,
        action: Action,
        *,
        at: datetime,
        by: str,
        why: str = "",
        change: Callable[[Ticket], Ticket] | None = None,
    ) -> Ticket:
        """As `TicketRepository.act`, inside this transaction."""
        before = _read(self.con, number)
        try:
            to = follows(number, before.phase, action)
        except InputError as refusal:
            raise InputError(f"{refusal}{_last_told(self.con, number, at)}") from None
        # A clock that is set back a little must not turn the order of what happened; one that was far ahead and is
        # right again does not bind what follows to its times. The order of the table is that of what happened.
        if before.changed_at - at <= BELIEVED_AHEAD:
            at = max(at, before.changed_at)
        if action == "reopen":
            self.refuse_second(before.machine, before.cause)
            before = _open_again(before)
        after = change(before) if change else before
        after = replace(after, phase=to, revision=before.revision + 1, changed_at=at)
        self.con.execute(ticket_sql.UPDATE_TICKET, {**_row(after), "read_revision": before.revision})
        self._enter(after, action, before.phase, by, why, at)
        return after

    def undo(self, number: int, *, at: datetime, by: str) -> TicketEvent:
        """As `TicketRepository.undo`, inside this transaction."""
        before = _read(self.con, number)
        standing = [event for event in not_undone(_events(self.con, number)) if event.action != "refresh"]
        last = standing[-1] if standing else None
        if last is None or last.from_phase is None:
            raise InputError(
                f"ticket {number}: nothing but its opening to undo; farmwatch ticket withdraw {number} ends it"
            )
        if last.by_program:
            raise InputError(f"ticket {number}: its last step was the program's ({last.action}); later readings decide")
        if at - last.at > UNDONE_WITHIN:
            raise InputError(f"ticket {number}: its last step ({last.action}) is older than a day and stays")
        if before.phase in CLOSED and last.from_phase not in CLOSED:
            self.refuse_second(before.machine, before.cause)
        work_from, work_until = work_span(standing[:-1])
        after = replace(
            _open_again(before) if last.from_phase not in CLOSED else before,
            work_from=work_from,
            work_until=work_until,
            method=None if last.action == "done" else before.method,
            phase=last.from_phase,
            revision=before.revision + 1,
            changed_at=max(at, before.changed_at),
        )
        self.con.execute(ticket_sql.UPDATE_TICKET, {**_row(after), "read_revision": before.revision})
        self._enter(after, "undo", before.phase, by, f"undoes {last.action}", after.changed_at)
        if last.action == "take":
            span = {"machine": after.machine, "taken": micros(last.at), "undone": micros(after.changed_at)}
            self.con.execute(ticket_sql.NOT_IN_WORK, span)
        return last

    def refuse_second(self, machine: str, cause: str) -> None:
        """Raise InputError where another ticket of that kind (bed or host) is open for the machine."""
        host = cause == "host"
        for other in self.tickets():
            if other.machine == machine and other.is_open and (other.cause == "host") == host:
                raise InputError(
                    f"ticket {other.number} is open for {machine} already; see farmwatch ticket show {other.number}"
                )

    def _enter(self, ticket: Ticket, action: str, start: Phase | None, by: str, why: str, at: datetime) -> None:
        self.con.execute(ticket_sql.INSERT_EVENT, [ticket.number, micros(at), action, start, ticket.phase, by, why])


def _open_again(ticket: Ticket) -> Ticket:
    """Without what was written as it closed."""
    return replace(ticket, closed_at=None, closed_range_mm=None, accepted_limit_mm=None, accepted_until=None)


def _read(con: duckdb.DuckDBPyConnection, number: int) -> Ticket:
    row = con.execute(ticket_sql.TICKET, {"number": number}).fetchone()
    if row is None:
        raise InputError(f"there is no ticket {number}; `farmwatch ticket list` shows those there are")
    return _ticket(row)


def _events(con: duckdb.DuckDBPyConnection, number: int | None) -> list[TicketEvent]:
    return [
        TicketEvent(number=n, at=from_micros(at), action=action, from_phase=start, to_phase=to, by=by, why=why)
        for n, at, action, start, to, by, why in con.execute(ticket_sql.EVENTS, {"number": number}).fetchall()
    ]


def _last_told(con: duckdb.DuckDBPyConnection, number: int, at: datetime) -> str:
    told = [event for event in _events(con, number) if event.action != "refresh"]
    if not told:
        return ""
    last = told[-1]
    who = f" by {last.by}" if last.by else ""
    return f" (last: {last.action}{who}, {ago(last.at, at)})"


def _bare(value: Any, name: str) -> Any:
    if name == "plan":
        return json.dumps(value, sort_keys=True)
    if isinstance(value, datetime):
        return micros(value)
    return list(value) if isinstance(value, tuple) else value


def _row(ticket: Ticket) -> dict[str, Any]:
    return {name: _bare(getattr(ticket, name), name) for name in ticket_sql.TICKET_FIELDS}


def _ticket(row: Sequence[Any]) -> Ticket:
    found = dict(zip(ticket_sql.TICKET_FIELDS, row, strict=True))
    for name in ticket_sql.TIMES:
        found[name] = None if found[name] is None else from_micros(found[name])
    found["plan"] = json.loads(found["plan"])
    found["advice"] = tuple(found["advice"])
    return Ticket(**found)
