"""A reading as one line of NDJSON: the form of the pending file, and of import and export.

Beside what makes a reading (machine, taken_at, x, y, heights, bed_celsius, plate) a line carries what only this
program knows of it, where it differs from what an imported reading gets: seen_at, time_from, celsius_is, during_work.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

import numpy as np
import orjson

from farmwatch.errors import FarmwatchError
from farmwatch.history import COLDEST_CELSIUS, HOTTEST_CELSIUS, Reading
from farmwatch.mesh import Mesh, MeshRefused
from farmwatch.times import rfc3339

__all__ = [
    "KEYS", "LONGEST_PLATE", "LineRefused", "instant", "member_celsius", "plain",
    "reading_line", "reading_of",
]  # fmt: skip

KEYS = frozenset(
    {
        "machine",
        "taken_at",
        "seen_at",
        "time_from",
        "x",
        "y",
        "heights",
        "bed_celsius",
        "celsius_is",
        "plate",
        "during_work",
    }
)

LONGEST_PLATE = 200

_TIMES_FROM = ("host", "seen", "unknown", "file")
_CELSIUS_ARE = ("at-probing", "now")


class LineRefused(FarmwatchError):
    """A line that is no reading; the message says why."""


def plain(text: str) -> str:
    """The text as valid Unicode: half a surrogate pair, as a host's JSON may hold, becomes "?"."""
    return text.encode("utf-8", "replace").decode("utf-8")


def reading_line(reading: Reading) -> bytes:
    """One line, ending in a newline; missing heights are null."""
    line: dict[str, Any] = {
        "machine": reading.machine,
        "taken_at": rfc3339(reading.taken_at, exact=True),
        "x": reading.mesh.x.tolist(),
        "y": reading.mesh.y.tolist(),
        "heights": reading.mesh.z.tolist(),
        "bed_celsius": reading.bed_celsius,
        "plate": None if reading.plate is None else plain(reading.plate),
        "seen_at": rfc3339(reading.seen_at, exact=True),
        "time_from": reading.time_from,
        "celsius_is": reading.celsius_is,
        "during_work": reading.during_work,
    }
    return orjson.dumps(line, option=orjson.OPT_APPEND_NEWLINE)


def reading_of(line: Mapping[str, Any], seen_at: datetime) -> Reading:
    """A parsed line as a reading; `seen_at` where the line names none. Raises LineRefused."""
    machine = line.get("machine")
    if not isinstance(machine, str) or not machine:
        raise LineRefused("machine: wants a name")
    try:
        mesh = Mesh.accept(_axis(line, "x"), _axis(line, "y"), _heights(line))
    except MeshRefused as refused:
        raise LineRefused(str(refused)) from None
    return Reading(
        machine=machine,
        taken_at=instant(line, "taken_at"),
        seen_at=instant(line, "seen_at") if line.get("seen_at") is not None else seen_at,
        time_from=_one_of(line, "time_from", _TIMES_FROM, "file"),
        mesh=mesh,
        bed_celsius=member_celsius(line),
        celsius_is=_one_of(line, "celsius_is", _CELSIUS_ARE, "at-probing"),
        plate=_plate(line),
        during_work=_flag(line, "during_work"),
    )


def instant(line: Mapping[str, Any], key: str) -> datetime:
    """A time of a line, UTC; raises LineRefused where it is none or has no offset."""
    text = line.get(key)
    if not isinstance(text, str):
        raise LineRefused(f"{key}: wants a time such as 2026-11-23T05:58:11Z")
    try:
        # RFC 3339 lets "t" and "z" stand small, too.
        at = datetime.fromisoformat(text.upper())
        if at.tzinfo is None:
            raise LineRefused(f"{key}: {text[:40]!r} has no offset; end it in Z or in an offset such as +01:00")
        return at.astimezone(UTC)
    except (ValueError, OverflowError):
        raise LineRefused(f"{key}: {text[:40]!r} is no time such as 2026-11-23T05:58:11Z") from None


def member_celsius(line: Mapping[str, Any]) -> float | None:
    """The bed temperature of a line; raises LineRefused where it is no finite number."""
    value = line.get("bed_celsius")
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        raise LineRefused(f"bed_celsius: {str(value)[:40]!r} is no number")
    if not COLDEST_CELSIUS <= value <= HOTTEST_CELSIUS:
        raise LineRefused(f"bed_celsius: no bed is at {value:g} °C")
    return float(value)


def _axis(line: Mapping[str, Any], key: str) -> np.ndarray[Any, np.dtype[np.float64]]:
    values = line.get(key)
    if not isinstance(values, list) or not all(_is_number(value) for value in values):
        raise LineRefused(f"{key}: wants a list of numbers")
    return _floats(key, values)


def _heights(line: Mapping[str, Any]) -> np.ndarray[Any, np.dtype[np.float64]]:
    rows = line.get("heights")
    if not isinstance(rows, list) or not rows or not all(isinstance(row, list) for row in rows):
        raise LineRefused("heights: wants a list of rows, each a list of numbers")
    if len({len(row) for row in rows}) > 1:
        raise LineRefused(f"heights: the rows are not of one length ({', '.join(str(len(row)) for row in rows[:10])})")
    for r, row in enumerate(rows):
        for c, value in enumerate(row):
            if value is not None and not _is_number(value):
                raise LineRefused(f"heights: row {r + 1}, column {c + 1} is {str(value)[:40]!r}, no number")
    return _floats("heights", [[math.nan if value is None else value for value in row] for row in rows])


def _floats(key: str, values: list[Any]) -> np.ndarray[Any, np.dtype[np.float64]]:
    try:
        return np.array(values, dtype=np.float64)
    except OverflowError:
        raise LineRefused(f"{key}: a number is too large") from None


def _is_number(value: object) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool)


def _one_of(line: Mapping[str, Any], key: str, known: tuple[str, ...], otherwise: str) -> Any:
    value = line.get(key)
    if value is None:
        return otherwise
    if value not in known:
        raise LineRefused(f"{key}: {str(value)[:40]!r} is none of {', '.join(known)}")
    return value


def _plate(line: Mapping[str, Any]) -> str | None:
    value = line.get("plate")
    if isinstance(value, str) and len(value) > LONGEST_PLATE:
        raise LineRefused(f"plate: a name of {len(value)} characters; at most {LONGEST_PLATE} are kept")
    if value is None or isinstance(value, str):
        return value or None
    if _is_number(value):
        return str(value)
    raise LineRefused("plate: wants a name")


def _flag(line: Mapping[str, Any], key: str) -> bool:
    value = line.get(key)
    if value is None or isinstance(value, bool):
        return bool(value)
    raise LineRefused(f"{key}: wants true or false")
