"""A reading as one line of NDJSON: the form of the pending file, and of import and export."""

from __future__ import annotations

import base64
import math
from datetime import datetime
from typing import Any

import numpy as np
import orjson

from farmwatch.history import Reading
from farmwatch.mesh import Mesh, MeshRefused
from farmwatch.store.reading_facts import FACTS, Line, LineRefused, instant, is_number
from farmwatch.times import rfc3339

__all__ = ["reading_line", "reading_of"]

_HEIGHTS = frozenset({int, float, type(None)})


def reading_line(reading: Reading) -> bytes:
    """One line, ending in a newline; missing heights are null."""
    line: dict[str, Any] = {
        "machine": reading.machine,
        "taken_at": rfc3339(reading.taken_at, exact=True),
        "x": reading.mesh.x.tolist(),
        "y": reading.mesh.y.tolist(),
        "heights": reading.mesh.z.tolist(),
        **{fact.name: fact.said(getattr(reading, fact.name)) for fact in FACTS},
    }
    if reading.answer is not None:
        # Only on its way into the store, through the pending file.
        line["answer"] = base64.b64encode(reading.answer).decode()
    return orjson.dumps(line, option=orjson.OPT_APPEND_NEWLINE)


def reading_of(line: Line, imported_at: datetime) -> Reading:
    """A parsed line as a reading; it counts as seen at `imported_at` where it does not say. Raises LineRefused."""
    machine = line.get("machine")
    if not isinstance(machine, str) or not machine:
        raise LineRefused("machine: wants a name")
    try:
        mesh = Mesh.accept(_axis(line, "x"), _axis(line, "y"), _heights(line))
    except MeshRefused as refused:
        raise LineRefused(str(refused)) from None
    taken_at = instant(line, "taken_at")
    facts = {fact.name: fact.of_line(line, imported_at) for fact in FACTS}
    return Reading(machine=machine, taken_at=taken_at, mesh=mesh, **facts)


def _axis(line: Line, key: str) -> np.ndarray[Any, np.dtype[np.float64]]:
    values = line.get(key)
    if not isinstance(values, list) or not all(map(is_number, values)):
        raise LineRefused(f"{key}: wants a list of numbers")
    return _floats(key, values)


def _heights(line: Line) -> np.ndarray[Any, np.dtype[np.float64]]:
    rows = line.get("heights")
    if not isinstance(rows, list) or not rows or not all(isinstance(row, list) for row in rows):
        raise LineRefused("heights: wants a list of rows, each a list of numbers")
    if len({len(row) for row in rows}) > 1:
        raise LineRefused(f"heights: the rows are not of one length ({', '.join(str(len(row)) for row in rows[:10])})")
    for r, row in enumerate(rows):
        # Of a thousand points one look at their types tells as much as a thousand.
        if _HEIGHTS.issuperset(map(type, row)):
            continue
        for c, value in enumerate(row):
            if value is not None and not is_number(value):
                raise LineRefused(f"heights: row {r + 1}, column {c + 1} is {str(value)[:40]!r}, no number")
    return _floats("heights", [[math.nan if value is None else value for value in row] for row in rows])


def _floats(key: str, values: list[Any]) -> np.ndarray[Any, np.dtype[np.float64]]:
    try:
        return np.array(values, dtype=np.float64)
    except OverflowError:
        raise LineRefused(f"{key}: a number is too large") from None
