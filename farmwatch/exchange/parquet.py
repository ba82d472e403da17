"""Parquet: one row a reading, with the members of an NDJSON line as columns."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import duckdb

from farmwatch.errors import InputError
from farmwatch.exchange.batch import Line
from farmwatch.store.reading_facts import FACTS, KEYS
from farmwatch.times import from_micros, rfc3339

__all__ = ["parquet_lines"]

_BATCH_ROWS = 5_000
_NEEDED = ("machine", "taken_at", "x", "y", "heights")
_TIMES = ("taken_at", *(fact.name for fact in FACTS if fact.kind == "time"))


def parquet_lines(file: Path, _refuse: Callable[[int, str], None]) -> Iterator[tuple[list[Line], int]]:
    """Batches of rows as parsed lines, and how many bytes of the file they come to."""
    size = file.stat().st_size
    with duckdb.connect(config={"memory_limit": "256MB", "threads": 2}) as con:
        con.execute("SET TimeZone = 'UTC'; SET enable_progress_bar = false")
        try:
            types = {
                name: kind
                for name, kind, *_ in con.execute("DESCRIBE SELECT * FROM read_parquet($1)", [str(file)]).fetchall()
            }
            selected = _selected(file, types)
            row = con.execute("SELECT count(*) FROM read_parquet($1)", [str(file)]).fetchone()
            total = int(row[0]) if row else 0
            con.execute(f"SELECT {', '.join(selected.values())} FROM read_parquet($1)", [str(file)])
            yield from _batches(con, list(selected), total, size)
        except duckdb.Error as fault:
            raise InputError(f"{file}: cannot be read as Parquet ({str(fault).splitlines()[0][:200]})") from fault


def _batches(
    con: duckdb.DuckDBPyConnection, names: list[str], total: int, size: int
) -> Iterator[tuple[list[Line], int]]:
    done = 0
    while rows := con.fetchmany(_BATCH_ROWS):
        lines: list[Line] = []
        for number, row in enumerate(rows, start=done + 1):
            members: dict[str, Any] = dict(zip(names, row, strict=True))
            for name in _TIMES:
                if isinstance(members.get(name), int):
                    members[name] = rfc3339(from_micros(members[name]), exact=True)
            lines.append((number, members))
        done += len(rows)
        yield lines, size * done // max(total, 1)


def _selected(file: Path, types: dict[str, str]) -> dict[str, str]:
    """What to select, by member: times as microseconds, everything else as it stands."""
    for name in _NEEDED:
        if name not in types:
            raise InputError(f"{file}: wants the columns {', '.join(_NEEDED)}; no {name} found")
    selected = {name: f'"{name}"' for name in types if name in KEYS}
    for name in _TIMES:
        kind = types.get(name)
        if kind == "TIMESTAMP WITH TIME ZONE":
            selected[name] = f'epoch_us("{name}")'
        elif kind not in (None, "VARCHAR"):
            raise InputError(f"{file}: {name} wants a timestamp adjusted to UTC, or RFC 3339 text; got {kind}")
    for name in ("x", "y"):
        selected[name] = f'"{name}"::DOUBLE[]'
    selected["heights"] = '"heights"::DOUBLE[][]'
    return selected
