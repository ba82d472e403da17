"""What people enter and what the program remembers of itself: notes, out of service, identities, runs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from itertools import groupby
from typing import Any

import duckdb

from farmwatch.history import Note, OutOfService, Work
from farmwatch.store import sql, ticket_sql
from farmwatch.store.records import Run, standing
from farmwatch.times import from_micros, micros

__all__ = [
    "add_note",
    "add_run",
    "bring_back",
    "identities",
    "last_run",
    "notes",
    "out_of_service",
    "pin",
    "spans_out",
    "take_out",
    "undone",
    "unpin",
    "works",
]


def add_note(con: duckdb.DuckDBPyConnection, note: Note) -> None:
    """Add a note."""
    con.execute(sql.INSERT_NOTE, [note.machine, micros(note.at), note.what, note.by, note.text])


def notes(con: duckdb.DuckDBPyConnection, names: Sequence[str] | None, until: datetime | None) -> list[Note]:
    """Notes in time order."""
    return [
        Note(machine=machine, at=from_micros(at), what=what, by=by, text=text)
        for machine, at, what, by, text in con.execute(sql.NOTES, wanted(names, until)).fetchall()
    ]


def take_out(con: duckdb.DuckDBPyConnection, out: OutOfService) -> None:
    """End what is open for the machine and open anew."""
    con.execute(sql.BRING_BACK, {"machine": out.machine, "at": micros(out.since)})
    until = None if out.until is None else micros(out.until)
    con.execute(sql.TAKE_OUT, [out.machine, micros(out.since), out.reason, until])


def bring_back(con: duckdb.DuckDBPyConnection, machine: str, at: datetime) -> bool:
    """Close what is open for the machine; returns whether anything was."""
    row = con.execute(sql.BRING_BACK, {"machine": machine, "at": micros(at)}).fetchone()
    return bool(row and row[0])


def out_of_service(con: duckdb.DuckDBPyConnection, at: datetime) -> dict[str, OutOfService]:
    """Machines out of service at a time, by name; the newest entry speaks."""
    return {span.machine: span for span in _spans(con, sql.OUT_OF_SERVICE, at)}


def spans_out(con: duckdb.DuckDBPyConnection, at: datetime) -> dict[str, tuple[OutOfService, ...]]:
    """By machine, every span out of service that began by a time, ended ones too."""
    found: dict[str, tuple[OutOfService, ...]] = {}
    for span in _spans(con, sql.SPANS_OUT, at):
        found[span.machine] = (*found.get(span.machine, ()), span)
    return found


def _spans(con: duckdb.DuckDBPyConnection, statement: str, at: datetime) -> list[OutOfService]:
    return [
        OutOfService(
            machine=machine,
            since=from_micros(since),
            reason=reason,
            until=None if until is None else from_micros(until),
        )
        for machine, since, reason, until in con.execute(statement, {"at": micros(at)}).fetchall()
    ]


def identities(con: duckdb.DuckDBPyConnection) -> dict[str, str]:
    """Pinned identities by machine."""
    return dict(con.execute("SELECT machine, identity FROM identities ORDER BY machine").fetchall())


def pin(con: duckdb.DuckDBPyConnection, found: dict[str, str], at: datetime) -> None:
    """Pin identities of machines that have none."""
    con.executemany(sql.PIN, [[machine, identity, micros(at)] for machine, identity in found.items()])


def unpin(con: duckdb.DuckDBPyConnection, machine: str) -> bool:
    """Forget a machine's identity; returns whether it had one."""
    row = con.execute("DELETE FROM identities WHERE machine = ?", [machine]).fetchone()
    return bool(row and row[0])


def add_run(con: duckdb.DuckDBPyConnection, run: Run) -> None:
    """Enter into the last-run record."""
    con.execute("INSERT INTO runs VALUES (?, make_timestamptz(?), ?)", [run.name, micros(run.at), run.detail])


def last_run(con: duckdb.DuckDBPyConnection, name: str, until: datetime | None) -> Run | None:
    """The newest run of that name at or before a time, or None."""
    given = {"name": name, "until": None if until is None else micros(until)}
    row = con.execute(sql.LAST_RUN, given).fetchone()
    return Run(name=name, at=from_micros(row[0]), detail=row[1]) if row else None


def works(
    con: duckdb.DuckDBPyConnection, names: Sequence[str] | None, until: datetime | None
) -> dict[str, tuple[Work, ...]]:
    """By machine, the spans in which a ticket was in work; one that had not ended by `until` has no end."""
    found: dict[str, list[Work]] = {}
    given = {**wanted(names, until), "undone": undone(con, until)}
    for machine, number, begins, at in con.execute(ticket_sql.WORKS, given).fetchall():
        spans = found.setdefault(machine, [])
        if begins:
            spans.append(Work(ticket=number, start=from_micros(at)))
        elif spans and spans[-1].ticket == number and spans[-1].end is None:
            spans[-1] = replace(spans[-1], end=from_micros(at))
    return {machine: tuple(spans) for machine, spans in found.items()}


def undone(con: duckdb.DuckDBPyConnection, until: datetime | None) -> list[int]:
    """The rows of `ticket_events` that were undone by a time, and those that undid them."""
    rows = con.execute(ticket_sql.OF_UNDONE, {"until": None if until is None else micros(until)}).fetchall()
    found: list[int] = []
    for _, group in groupby(rows, key=lambda row: row[0]):
        events = list(group)
        stand = set(standing([action for _, action, _ in events]))
        found += [row for i, (_, _, row) in enumerate(events) if i not in stand]
    return found


def wanted(names: Sequence[str] | None, until: datetime | None) -> dict[str, Any]:
    """The parameters of every statement that may be narrowed to machines and to a time."""
    return {"names": None if names is None else list(names), "until": None if until is None else micros(until)}
