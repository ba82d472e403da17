"""Moves of guided realignments, and which machines such a session has claimed just now."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import fields, replace
from datetime import datetime, timedelta
from typing import Any

import duckdb

from farmwatch.history import OpenTicket
from farmwatch.store import ticket_sql
from farmwatch.store.notes import undone, wanted
from farmwatch.store.records import Claim, FailingDeliveries, Move
from farmwatch.times import from_micros, micros

__all__ = [
    "add_moves",
    "claim",
    "claims",
    "failing_deliveries",
    "finish_moves",
    "in_work",
    "leave",
    "moves",
    "open_tickets",
    "waiting_deliveries",
]

_TIMES = ("at", "before_at", "after_at")
# Who has not been heard of for so long has left without saying so (a lost connection).
_GONE_AFTER = timedelta(minutes=2)
# A mail server may be started anew; what fails for longer wants a person.
FAILING_AFTER = timedelta(hours=1)


def add_moves(con: duckdb.DuckDBPyConnection, new: Sequence[Move]) -> None:
    """Add moves as they are told."""
    for move in new:
        con.execute(ticket_sql.INSERT_MOVE, {f.name: _bare(getattr(move, f.name)) for f in fields(Move)})


def finish_moves(con: duckdb.DuckDBPyConnection, machine: str, seen: Sequence[Move]) -> None:
    """Put what the next mesh showed in the place of what was still to come, for the moves told at the same time."""
    con.execute(ticket_sql.DROP_PENDING_MOVES, {"machine": machine})
    add_moves(con, seen)


def moves(
    con: duckdb.DuckDBPyConnection, names: Sequence[str] | None, until: datetime | None, read_by: Mapping[str, str]
) -> list[Move]:
    """Moves in time order; of those seen by meshes of another mapping than `read_by` has, what they did is unknown."""
    found = [_move(row) for row in con.execute(ticket_sql.MOVES, wanted(names, until)).fetchall()]
    return [_unseen(move) if _of_another(move, read_by.get(move.machine)) else move for move in found]


def claim(con: duckdb.DuckDBPyConnection, who: Claim) -> Claim | None:
    """Claim a machine for a session; returns whose it is already (it then stays theirs), else None."""
    other = claims(con, who.seen_at).get(who.machine)
    if other is not None and other.session != who.session:
        return other
    con.execute(
        ticket_sql.CLAIM,
        [who.machine, who.session, who.by, micros(who.since), micros(who.seen_at)],
    )
    return None


def claims(con: duckdb.DuckDBPyConnection, at: datetime) -> dict[str, Claim]:
    """The machines claimed at a time."""
    rows = con.execute(
        ticket_sql.CLAIMS, {"after": micros(at - _GONE_AFTER), "before": micros(at + _GONE_AFTER)}
    ).fetchall()
    return {
        machine: Claim(machine=machine, session=session, by=by, since=from_micros(since), seen_at=from_micros(seen))
        for machine, session, by, since, seen in rows
    }


def leave(con: duckdb.DuckDBPyConnection, machine: str, session: str) -> None:
    """Say that a session has ended."""
    con.execute("DELETE FROM attended WHERE machine = ? AND session = ?", [machine, session])


def _of_another(move: Move, mark: str | None) -> bool:
    return move.read_by is not None and mark is not None and move.read_by != mark


def _unseen(move: Move) -> Move:
    """The move without what its meshes showed: it was made all the same."""
    return replace(move, moved_mm=None, moved_sd_mm=None, range_after_mm=None)


def _bare(value: Any) -> Any:
    return micros(value) if isinstance(value, datetime) else value


def _move(row: Sequence[Any]) -> Move:
    found = dict(zip((f.name for f in fields(Move)), row, strict=True))
    for name in _TIMES:
        found[name] = None if found[name] is None else from_micros(found[name])
    return Move(**found)


def in_work(con: duckdb.DuckDBPyConnection) -> frozenset[str]:
    """Machines whose ticket is in work."""
    return frozenset(machine for (machine,) in con.execute(ticket_sql.IN_WORK).fetchall())


def open_tickets(
    con: duckdb.DuckDBPyConnection, names: Sequence[str] | None, until: datetime | None
) -> dict[str, OpenTicket]:
    """Of each machine that has one, its open ticket."""
    given = {**wanted(names, until), "undone": undone(con, until)}
    found: dict[str, OpenTicket] = {}
    for machine, number, phase, since, owner, host, done in con.execute(ticket_sql.OPEN_TICKETS, given).fetchall():
        ticket = OpenTicket(
            machine=machine,
            number=number,
            phase=phase,
            since=from_micros(since),
            owner=owner or "",
            about_host=host,
            work_until=None if done is None else from_micros(done),
        )
        found.setdefault(machine, ticket)
    return found


def waiting_deliveries(con: duckdb.DuckDBPyConnection, at: datetime) -> tuple[int, int]:
    """How many letters of the outbox are to be tried at a time, and how many wait in all."""
    row = con.execute(ticket_sql.WAITING_DELIVERIES, {"at": micros(at)}).fetchone()
    return (int(row[0]), int(row[1])) if row else (0, 0)


def failing_deliveries(con: duckdb.DuckDBPyConnection, at: datetime) -> FailingDeliveries | None:
    """What has waited and failed for an hour or longer at a time; None where nothing has."""
    row = con.execute(ticket_sql.FAILING_DELIVERIES, {"before": micros(at - FAILING_AFTER)}).fetchone()
    if row is None or not row[0]:
        return None
    return FailingDeliveries(number=int(row[0]), since=from_micros(row[1]), fault=row[2])
