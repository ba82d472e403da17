"""What a reading carries beside its machine, its time and its mesh, a row each.

A new fact is a field of `history.Reading`, its row here, a migration that adds the column of its name, and what first
sets it. The insert and the selects, the lines of NDJSON, the columns of CSV and Parquet and the export follow from
these rows; a field without a row, or a row without a column, fails in a test of completeness.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from types import MappingProxyType
from typing import Any, Literal, get_args

import numpy as np
from numpy.typing import NDArray

from farmwatch.errors import FarmwatchError
from farmwatch.history import COLDEST_CELSIUS, HOTTEST_CELSIUS, CelsiusIs, TimeFrom
from farmwatch.times import from_micros, micros, rfc3339

__all__ = ["FACTS", "KEYS", "Fact", "LineRefused", "instant", "is_number", "objects", "valid_text"]

LONGEST_LABEL = 200

Line = Mapping[str, Any]
"""A parsed line of NDJSON, or what another format makes of a reading in its place."""


class LineRefused(FarmwatchError):
    """A line that is no reading; the message says why."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fact:
    """One row: a field of `Reading`, a column of `readings`, a member of a line, all of one name."""

    name: str
    kind: Literal["time", "number", "text", "flag"]
    imported: Any
    """Its value in a reading that is imported and does not say it; for a time, that of the import."""
    read: Callable[[Line, str], Any]
    """Its value in a line, None where the line does not say it; raises LineRefused."""
    plainly: Callable[[Any], bool] | None = None
    """Whether a value is beyond doubt, for a fast look at many lines; None where only `imported` is."""

    @property
    def insert(self) -> str:
        """The SQL that stores it, from the column `n.name` of what comes in."""
        return _KINDS[self.kind].insert.format(name=self.name)

    @property
    def select(self) -> str:
        """The SQL that reads it."""
        return _KINDS[self.kind].select.format(name=self.name)

    def column(self, values: Sequence[Any]) -> NDArray[Any]:
        """Values of `Reading` as a column for the database `[n]`."""
        return _KINDS[self.kind].column(values)

    def stored(self, value: Any) -> Any:
        """A value of the database as that of `Reading`."""
        return from_micros(value) if self.kind == "time" else value

    def said(self, value: Any) -> Any:
        """A value of `Reading` as it stands in a line: plain JSON."""
        return _KINDS[self.kind].said(value)

    def of_line(self, line: Line, imported_at: datetime) -> Any:
        """Its value in a line, or that of a plain import; raises LineRefused."""
        value = self.read(line, self.name)
        if value is not None:
            return value
        return imported_at if self.kind == "time" else self.imported


@dataclass(frozen=True, slots=True, kw_only=True)
class _Kind:
    insert: str = "n.{name}"
    select: str = "{name}"
    column: Callable[[Sequence[Any]], NDArray[Any]]
    said: Callable[[Any], Any]


def objects(values: Sequence[object]) -> NDArray[np.object_]:
    """A column of Python objects, whatever they are."""
    column = np.empty(len(values), dtype=object)
    column[:] = values
    return column


def valid_text(text: str) -> str:
    """The text as valid Unicode: half a surrogate pair, as a host's JSON may hold, becomes "?"."""
    return text if text.isascii() else text.encode("utf-8", "replace").decode("utf-8")


def _texts(values: Sequence[str | None]) -> NDArray[np.object_]:
    return objects([None if value is None else valid_text(value) for value in values])


def _numbers(values: Sequence[float | None]) -> NDArray[np.float64]:
    return np.array([np.nan if value is None else value for value in values], dtype=np.float64)


_KINDS: Mapping[str, _Kind] = MappingProxyType(
    {
        "time": _Kind(
            insert="make_timestamptz(n.{name})",
            select="epoch_us({name})",
            column=lambda values: np.array([micros(value) for value in values], dtype=np.int64),
            said=lambda value: rfc3339(value, exact=True),
        ),
        "number": _Kind(column=_numbers, said=lambda value: value),
        # Where every value is None DuckDB cannot tell the type.
        "text": _Kind(
            insert="n.{name}::VARCHAR",
            column=_texts,
            said=lambda value: None if value is None else valid_text(value),
        ),
        "flag": _Kind(column=lambda values: np.array(values, dtype=bool), said=bool),
    }
)


def instant(line: Line, key: str) -> datetime:
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


def is_number(value: object) -> bool:
    """Whether a value of JSON is a number; true and false are none."""
    return isinstance(value, (int, float)) and not isinstance(value, bool)


def _time(line: Line, key: str) -> datetime | None:
    return None if line.get(key) is None else instant(line, key)


def _celsius(line: Line, key: str) -> float | None:
    value = line.get(key)
    if value is None:
        return None
    if not is_number(value) or not math.isfinite(value):
        raise LineRefused(f"{key}: {str(value)[:40]!r} is no number")
    if not COLDEST_CELSIUS <= value <= HOTTEST_CELSIUS:
        raise LineRefused(f"{key}: no bed is at {value:g} °C")
    return float(value)


def _one_of(known: tuple[str, ...]) -> Callable[[Line, str], str | None]:
    def read(line: Line, key: str) -> str | None:
        value = line.get(key)
        if value is not None and value not in known:
            raise LineRefused(f"{key}: {str(value)[:40]!r} is none of {', '.join(known)}")
        return value

    return read


def _label(line: Line, key: str) -> str | None:
    value = line.get(key)
    if isinstance(value, str) and len(value) > LONGEST_LABEL:
        raise LineRefused(f"{key}: a name of {len(value)} characters; at most {LONGEST_LABEL} are kept")
    if value is None or isinstance(value, str):
        return value or None
    if is_number(value):
        return str(value)
    raise LineRefused(f"{key}: wants a name")


def _flag(line: Line, key: str) -> bool | None:
    value = line.get(key)
    if value is None or isinstance(value, bool):
        return value
    raise LineRefused(f"{key}: wants true or false")


FACTS: tuple[Fact, ...] = (
    Fact(
        name="bed_celsius",
        kind="number",
        imported=None,
        read=_celsius,
        plainly=lambda value: type(value) in (float, int) and COLDEST_CELSIUS <= value <= HOTTEST_CELSIUS,
    ),
    Fact(
        name="plate",
        kind="text",
        imported=None,
        read=_label,
        plainly=lambda value: type(value) is str and 0 < len(value) <= LONGEST_LABEL,
    ),
    Fact(name="seen_at", kind="time", imported=None, read=_time),
    Fact(name="time_from", kind="text", imported="file", read=_one_of(get_args(TimeFrom))),
    Fact(name="celsius_is", kind="text", imported="at-probing", read=_one_of(get_args(CelsiusIs))),
    Fact(name="during_work", kind="flag", imported=False, read=_flag),
    Fact(name="read_by", kind="text", imported=None, read=_label),
    Fact(name="set_aside", kind="text", imported=None, read=_label),
)
"""In the order in which files show them."""

KEYS = frozenset({"machine", "taken_at", "x", "y", "heights", *(fact.name for fact in FACTS)})
"""The members of a line that are read."""
