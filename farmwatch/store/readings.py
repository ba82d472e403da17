"""Readings: into the database as columns, out of it as histories."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import duckdb
import numpy as np
from numpy.typing import NDArray

from farmwatch.history import History, Note, Reading, Stack, TimeFrom, Work
from farmwatch.mesh import Floats, Mesh
from farmwatch.store import sql
from farmwatch.store.attachment import quoted
from farmwatch.store.columns import ReadingColumns
from farmwatch.store.notes import wanted
from farmwatch.store.reading_facts import FACTS
from farmwatch.store.records import LastMesh
from farmwatch.times import from_micros, micros

__all__ = [
    "Found",
    "change_stamps",
    "count",
    "end",
    "fetch",
    "fetch_latest",
    "fetch_slice",
    "histories",
    "insert",
    "knows",
    "last_digests",
    "latest",
    "of_mappings",
    "sliced",
    "write_parquet",
]

Column = NDArray[Any]


_TIMES_FROM: tuple[TimeFrom, ...] = ("host", "seen", "unknown", "file")


@dataclass(frozen=True, slots=True, eq=False)
class Found:
    """Readings as fetched: the machines' names, columns `[n]`, grids by number, all heights in one array.

    The heights of reading i begin at `starts[i]`.
    """

    names: list[str]
    columns: dict[str, Column]
    grids: dict[int, tuple[Floats, Floats]]
    heights: Floats
    starts: NDArray[np.int64]


def insert(con: duckdb.DuckDBPyConnection, new: ReadingColumns) -> int:
    """Add the readings that do not stand yet, those of one call among them; returns how many."""
    if not len(new):
        return 0
    fresh = ~new.repeated()
    con.register("new_readings", new.keys())
    bounds = {"first": int(new.taken_at.min()), "last": int(new.taken_at.max())}
    fresh[con.execute(sql.STANDING, bounds).fetchnumpy()["i"]] = False
    con.unregister("new_readings")
    if not fresh.any():
        return 0
    kept = new.select(fresh)
    heights, listed = kept.height_columns()
    con.register("new_readings", {**kept.keys(), **heights})
    con.register("new_grids", kept.grid_table())
    con.execute(sql.INSERT_READINGS.format(heights=listed))
    con.unregister("new_readings")
    con.unregister("new_grids")
    return int(fresh.sum())


def fetch(con: duckdb.DuckDBPyConnection, names: Sequence[str] | None, until: datetime | None) -> Found:
    """All readings wanted, as columns in the order of the table."""
    given = wanted(names, until)
    columns = con.execute(sql.READINGS, {**given, "times_from": list(_TIMES_FROM)}).fetchnumpy()
    machines = [row[0] for row in con.execute(sql.NAMES, given).fetchall()]
    _, first = np.unique(columns["grid"], return_index=True)
    grids = {
        key: (np.array(x, dtype=np.float64), np.array(y, dtype=np.float64))
        for key, x, y in con.execute(sql.GRIDS, {"ids": columns["id"][first].tolist()}).fetchall()
    }
    sizes = columns["n_rows"].astype(np.int64) * columns["n_columns"]
    starts = np.cumsum(sizes + 1) - sizes
    for statement in (sql.HEIGHTS, sql.HEIGHTS_IN_ORDER) if names is None else (sql.HEIGHTS_IN_ORDER,):
        flat = _filled(con.execute(statement, given).fetchnumpy()["v"])
        if flat.size == int((sizes + 1).sum()) and np.array_equal(flat[starts - 1], columns["id"]):
            return Found(machines, columns, grids, flat, starts)
    raise RuntimeError("heights came back in another order than the readings they belong to")


def of_mappings(found: Found, read_by: Mapping[str, str]) -> Found:
    """Without the readings that are known to be read by another mapping than their machine's in `read_by`."""
    marks = _or_none(found.columns["read_by"])
    if not read_by or all(mark is None for mark in marks):
        return found
    current = np.array([read_by.get(name) for name in found.names], dtype=object)[found.columns["code"]]
    keep = np.array([m is None or c is None or m == c for m, c in zip(marks, current, strict=True)], dtype=bool)
    columns = {name: column[keep] for name, column in found.columns.items()}
    return Found(found.names, columns, found.grids, found.heights, found.starts[keep])


def histories(
    found: Found, noted: Sequence[Note], works: Mapping[str, tuple[Work, ...]] | None = None
) -> dict[str, History]:
    """Group fetched readings by machine, ascending in time; those within `works` count as taken during work."""
    worked = works or {}
    notes: dict[str, list[Note]] = {name: [] for name in found.names}
    for note in noted:
        notes.setdefault(note.machine, []).append(note)
    columns = found.columns
    # Stable: readings of one time and sight stay in the order in which they were stored.
    order = np.lexsort((columns["seen_at"], columns["taken_at"], columns["code"]))
    ascending = {name: column[order] for name, column in columns.items()}
    sorted_found = Found(found.names, ascending, found.grids, found.heights, found.starts[order])
    edges = np.searchsorted(ascending["code"], np.arange(len(found.names) + 1)).tolist()
    spans = {name: slice(edges[k], edges[k + 1]) for k, name in enumerate(found.names)}
    return {
        name: _history(name, sorted_found, spans.get(name, slice(0, 0)), tuple(notes[name]), worked.get(name, ()))
        for name in sorted(notes)
    }


def _history(name: str, found: Found, span: slice, notes: tuple[Note, ...], works: tuple[Work, ...]) -> History:
    columns = {key: column[span] for key, column in found.columns.items()}
    taken = columns["taken_at"] / 1e6
    working = columns["during_work"].astype(bool)
    for work in works:
        working |= (taken >= work.start.timestamp()) & (taken <= (work.end.timestamp() if work.end else np.inf))
    return History(
        machine=name,
        taken_at=taken,
        seen_at=columns["seen_at"] / 1e6,
        time_from=np.array(_TIMES_FROM, dtype=object)[columns["time_from"] - 1],
        bed_celsius=_filled(columns["bed_celsius"]),
        celsius_is_now=columns["is_now"].astype(bool),
        plate=_or_none(columns["plate"]),
        during_work=working,
        stacks=_stacks(found, columns["grid"], found.starts[span]),
        notes=notes,
        works=works,
    )


def _stacks(found: Found, grid: Column, starts: NDArray[np.int64]) -> tuple[Stack, ...]:
    """Readings that share a grid gathered, in the order of each grid's first reading."""
    keys, first = np.unique(grid, return_index=True)
    stacks = []
    for key in keys[np.argsort(first)]:
        index = np.flatnonzero(grid == key)
        x, y = found.grids[int(key)]
        places = starts[index][:, None] + np.arange(x.size * y.size)
        stacks.append(Stack(x, y, found.heights[places].reshape(-1, y.size, x.size), index))
    return tuple(stacks)


def fetch_latest(
    con: duckdb.DuckDBPyConnection, names: Sequence[str] | None, until: datetime | None
) -> list[tuple[Any, ...]]:
    """The newest reading of each machine, as rows."""
    return con.execute(sql.LATEST, wanted(names, until)).fetchall()


def latest(rows: Sequence[tuple[Any, ...]]) -> dict[str, Reading]:
    """Rows of `fetch_latest` as readings."""
    return {row[0]: _reading(row) for row in rows}


def fetch_slice(con: duckdb.DuckDBPyConnection, start: int, stop: int) -> list[tuple[Any, ...]]:
    """The readings from the start-th stored up to but not with the stop-th, as rows."""
    return con.execute(sql.SLICE, {"start": start, "stop": stop}).fetchall()


def sliced(rows: Sequence[tuple[Any, ...]]) -> list[Reading]:
    """Rows of `fetch_slice` as readings."""
    return [_reading(row) for row in rows]


def write_parquet(con: duckdb.DuckDBPyConnection, file: Path, start: int, stop: int) -> None:
    """The same readings straight into a Parquet file."""
    con.execute(sql.PARQUET.format(start=int(start), stop=int(stop), file=quoted(str(file))))


def _reading(row: tuple[Any, ...]) -> Reading:
    machine, taken, n_rows, n_columns, x, y, heights, *facts = row
    z = np.array(heights, dtype=np.float64).reshape(n_rows, n_columns)
    return Reading(
        machine=machine,
        taken_at=from_micros(taken),
        mesh=Mesh(np.array(x, dtype=np.float64), np.array(y, dtype=np.float64), z),
        **{fact.name: fact.stored(value) for fact, value in zip(FACTS, facts, strict=True)},
    )


def last_digests(
    con: duckdb.DuckDBPyConnection, names: Sequence[str] | None, until: datetime | None = None
) -> dict[str, LastMesh]:
    """What the newest reading of each machine is known by."""
    return {
        machine: LastMesh(
            machine=machine,
            taken_at=from_micros(taken),
            seen_at=from_micros(seen),
            time_from=time_from,
            digest=digest,
            counts=counts,
        )
        for machine, taken, seen, time_from, digest, counts in con.execute(
            sql.LAST_DIGESTS, wanted(names, until)
        ).fetchall()
    }


def knows(con: duckdb.DuckDBPyConnection, reading: Reading) -> bool:
    """Whether this mesh of this machine and time stands."""
    given = {"machine": reading.machine, "taken": micros(reading.taken_at), "digest": reading.mesh.digest()}
    return con.execute(sql.KNOWS, given).fetchone() is not None


def change_stamps(con: duckdb.DuckDBPyConnection) -> dict[str, str]:
    """What each machine's record comes to, as text that changes whenever anything is entered of it."""
    return dict(con.execute(sql.CHANGE_STAMPS).fetchall())


def count(con: duckdb.DuckDBPyConnection) -> int:
    """How many readings there are."""
    row = con.execute("SELECT count(*) FROM readings").fetchone()
    return int(row[0]) if row else 0


def end(con: duckdb.DuckDBPyConnection) -> int:
    """One more than the number of the newest row; as many as there are readings, and those set aside, at the least."""
    row = con.execute(sql.READINGS_END).fetchone()
    return int(row[0]) if row else 0


def _filled(column: Column) -> Floats:
    """Floats with NaN where the database holds NULL."""
    return np.ma.filled(column.astype(np.float64, copy=False), np.nan)


def _or_none(column: Column) -> NDArray[np.object_]:
    plain = np.ma.getdata(column).astype(object)
    plain[np.ma.getmaskarray(column)] = None
    return plain
