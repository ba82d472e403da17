"""Readings: into the database as columns, out of it as histories."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import duckdb
import numpy as np
from numpy.typing import NDArray

from farmwatch.history import History, Note, Reading, Stack
from farmwatch.mesh import Floats, Mesh
from farmwatch.store import sql
from farmwatch.store.clock import from_micros
from farmwatch.store.columns import ReadingColumns
from farmwatch.store.entries import wanted
from farmwatch.store.records import LastMesh

__all__ = ["count", "fetch", "fetch_latest", "histories", "insert", "last_digests", "latest"]

Column = NDArray[Any]


@dataclass(frozen=True, slots=True, eq=False)
class _Found:
    """Readings as fetched: columns `[n]`, the heights of all in one array, where each reading's begin."""

    columns: dict[str, Column]
    grids: list[tuple[Floats, Floats]]
    heights: Floats
    starts: NDArray[np.int64]


def insert(con: duckdb.DuckDBPyConnection, new: ReadingColumns) -> int:
    """Add the readings that do not stand yet; returns how many."""
    if not len(new):
        return 0
    tables: dict[str, Any] = new.tables()
    for name, table in tables.items():
        con.register(name, table)
    row = con.execute(sql.INSERT_READINGS).fetchone()
    for name in tables:
        con.unregister(name)
    return int(row[0]) if row else 0


def fetch(con: duckdb.DuckDBPyConnection, names: Sequence[str] | None, until: datetime | None) -> _Found:
    """All readings wanted, as columns in the order of the table."""
    given = wanted(names, until)
    columns = con.execute(sql.READINGS, given).fetchnumpy()
    grids = [
        (np.array(x, dtype=np.float64), np.array(y, dtype=np.float64))
        for x, y in con.execute(sql.GRIDS, given).fetchall()
    ]
    flat = _filled(con.execute(sql.HEIGHTS, given).fetchnumpy()["v"])
    sizes = columns["n_rows"].astype(np.int64) * columns["n_columns"]
    starts = np.concatenate([[0], np.cumsum(sizes + 1)[:-1]]).astype(np.int64) if sizes.size else sizes
    if flat.size != int(sizes.sum()) + sizes.size or not np.array_equal(flat[starts], columns["id"]):
        raise RuntimeError("heights came back in another order than the readings they belong to")
    return _Found(columns, grids, flat, starts + 1)


def histories(found: _Found, noted: Sequence[Note]) -> dict[str, History]:
    """Group fetched readings by machine, ascending in time."""
    notes: dict[str, list[Note]] = {}
    for note in noted:
        notes.setdefault(note.machine, []).append(note)
    machines, code = np.unique(found.columns["machine"].astype(str), return_inverse=True)
    order = np.lexsort((found.columns["digest"], found.columns["seen_at"], found.columns["taken_at"], code))
    edges = np.searchsorted(code[order], np.arange(machines.size + 1))
    result = {}
    for k, name in enumerate(machines.tolist()):
        result[name] = _history(name, found, order[edges[k] : edges[k + 1]], tuple(notes.pop(name, ())))
    empty = np.empty(0, dtype=np.intp)
    for name, of_machine in notes.items():
        result[name] = _history(name, found, empty, tuple(of_machine))
    return dict(sorted(result.items()))


def _history(name: str, found: _Found, rows: NDArray[np.intp], notes: tuple[Note, ...]) -> History:
    columns = {key: column[rows] for key, column in found.columns.items()}
    stacks = []
    for grid in np.unique(columns["grid"]):
        index = np.flatnonzero(columns["grid"] == grid)
        x, y = found.grids[int(grid)]
        places = found.starts[rows[index]][:, None] + np.arange(x.size * y.size)
        stacks.append(Stack(x, y, found.heights[places].reshape(-1, y.size, x.size), index))
    return History(
        machine=name,
        taken_at=columns["taken_at"] / 1e6,
        seen_at=columns["seen_at"] / 1e6,
        time_from=columns["time_from"].astype(object),
        bed_celsius=_filled(columns["bed_celsius"]),
        celsius_is_now=columns["celsius_is"] == "now",
        plate=_or_none(columns["plate"]),
        during_work=columns["during_work"].astype(bool),
        stacks=tuple(sorted(stacks, key=lambda stack: int(stack.index[0]))),
        notes=notes,
    )


def fetch_latest(
    con: duckdb.DuckDBPyConnection, names: Sequence[str] | None, until: datetime | None
) -> list[tuple[Any, ...]]:
    """The newest reading of each machine, as rows."""
    return con.execute(sql.LATEST, wanted(names, until)).fetchall()


def latest(rows: Sequence[tuple[Any, ...]]) -> dict[str, Reading]:
    """Rows of `fetch_latest` as readings."""
    found = {}
    for machine, taken, seen, time_from, n_rows, n_columns, x, y, heights, celsius, celsius_is, plate, working in rows:
        z = np.array(heights, dtype=np.float64).reshape(n_rows, n_columns)
        found[machine] = Reading(
            machine=machine,
            taken_at=from_micros(taken),
            seen_at=from_micros(seen),
            time_from=time_from,
            mesh=Mesh(np.array(x, dtype=np.float64), np.array(y, dtype=np.float64), z),
            bed_celsius=celsius,
            celsius_is=celsius_is,
            plate=plate,
            during_work=working,
        )
    return found


def last_digests(con: duckdb.DuckDBPyConnection, names: Sequence[str] | None) -> dict[str, LastMesh]:
    """What the newest reading of each machine is known by."""
    return {
        machine: LastMesh(
            machine=machine,
            taken_at=from_micros(taken),
            seen_at=from_micros(seen),
            time_from=time_from,
            digest=digest,
        )
        for machine, taken, seen, time_from, digest in con.execute(sql.LAST_DIGESTS, wanted(names, None)).fetchall()
    }


def count(con: duckdb.DuckDBPyConnection) -> int:
    """How many readings there are."""
    row = con.execute("SELECT count(*) FROM readings").fetchone()
    return int(row[0]) if row else 0


def _filled(column: Column) -> Floats:
    """Floats with NaN where the database holds NULL."""
    return np.ma.filled(column.astype(np.float64), np.nan)


def _or_none(column: Column) -> NDArray[np.object_]:
    plain = np.ma.getdata(column).astype(object)
    plain[np.ma.getmaskarray(column)] = None
    return plain
