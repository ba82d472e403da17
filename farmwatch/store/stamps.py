"""What a machine's record comes to at a time, as a text that is another one when anything of it is."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

import duckdb

from farmwatch.store import notes, sql

__all__ = ["record_stamps"]


def record_stamps(
    con: duckdb.DuckDBPyConnection, names: Sequence[str] | None, until: datetime | None
) -> dict[str, str]:
    """By machine, of its readings, notes and works at or before a time.

    A reading stands in it by two hashes of all its facts, its place and its mesh's digest, summed up and combined by
    exclusive or: 128 bits, whatever the order. Notes and works stand in it as they are.
    """
    found = dict(con.execute(sql.READING_STAMPS, notes.wanted(names, until)).fetchall())
    for note in notes.notes(con, names, until):
        found[note.machine] = f"{found.get(note.machine, '')} {note!r}"
    for machine, works in notes.works(con, names, until).items():
        found[machine] = f"{found.get(machine, '')} {works!r}"
    return found
