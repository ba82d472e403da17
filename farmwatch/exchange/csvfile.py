"""CSV: one row a point, `machine,taken_at,x,y,z`, and what else a reading carries in further columns.

The rows of one reading stand together, in any order; a missing point has an empty z or no row. A point that comes
again after a whole grid begins the next reading: two meshes may share a time.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TextIO

from farmwatch.errors import InputError
from farmwatch.exchange.batch import Line
from farmwatch.exchange.cells import from_cell
from farmwatch.exchange.decimals import decimal
from farmwatch.store.reading_facts import FACTS, KEYS

__all__ = ["COLUMNS", "OPTIONAL", "csv_lines"]

COLUMNS = ("machine", "taken_at", "x", "y", "z")
OPTIONAL = tuple(fact.name for fact in FACTS)

_BATCH_POINTS = 200_000
_MOST_POINTS = 1_000_000

Refuse = Callable[[int, str], None]


@dataclass(slots=True)
class _Group:
    """The rows of one reading so far."""

    key: tuple[str, ...]
    line: int
    points: dict[tuple[float, float], float] = field(default_factory=dict)
    fault: str = ""

    def is_whole(self) -> bool:
        xs, ys = {x for x, _ in self.points}, {y for _, y in self.points}
        return len(xs) * len(ys) == len(self.points)


def csv_lines(file: Path, refuse: Refuse) -> Iterator[tuple[list[Line], int]]:
    """Batches of readings as parsed lines, and how many bytes are read by then (the number of rows, roughly)."""
    with file.open(encoding="utf-8-sig", newline="", errors="replace") as source:
        rows = csv.reader(source)
        header = [name.strip().lower() for name in next(rows, [])]
        missing = [name for name in COLUMNS if name not in header]
        if missing:
            apart = "; its columns stand apart by semicolons: save it with commas" if ";" in "".join(header) else ""
            raise InputError(
                f"{file}: its first line must name the columns {', '.join(COLUMNS)}; no {missing[0]} found{apart}"
            )
        twice = [name for name in (*COLUMNS, *OPTIONAL) if header.count(name) > 1]
        if twice:
            raise InputError(f"{file}: its first line names the column {twice[0]} twice")
        yield from _batches(source, rows, header, refuse)


def _batches(source: TextIO, rows: Any, header: Sequence[str], refuse: Refuse) -> Iterator[tuple[list[Line], int]]:
    lines: list[Line] = []
    points = done = 0
    for group in _groups(rows, header, refuse):
        if group.fault:
            refuse(group.line, group.fault)
            continue
        lines.append((group.line, _members(group, header)))
        points += len(group.points)
        if points >= _BATCH_POINTS:
            done = source.buffer.tell()
            yield lines, done
            lines, points = [], 0
    yield lines, max(done, source.buffer.tell())


def _groups(rows: Any, header: Sequence[str], refuse: Refuse) -> Iterator[_Group]:
    at = {name: header.index(name) for name in (*COLUMNS, *OPTIONAL) if name in header}
    keys = [at.get(name) for name in ("machine", "taken_at", *OPTIONAL)]
    group: _Group | None = None
    while True:
        try:
            row = next(rows)
        except StopIteration:
            break
        except csv.Error as broken:
            refuse(rows.line_num, f"not CSV: {broken}")
            continue
        if not row:
            continue
        if len(row) != len(header):
            refuse(rows.line_num, f"has {len(row)} cells; the first line names {len(header)} columns")
            continue
        key = tuple("" if i is None else row[i] for i in keys)
        point, fault = _point(row[at["x"]], row[at["y"]], row[at["z"]])
        again = group is not None and point is not None and point[:2] in group.points
        if group is None or key != group.key or (again and group.is_whole()):
            if group is not None:
                yield group
            group = _Group(key, rows.line_num)
            again = False
        _add(group, rows.line_num, point, fault, again=again)
    if group is not None:
        yield group


def _add(group: _Group, line: int, point: tuple[float, float, float] | None, fault: str, *, again: bool) -> None:
    if group.fault:
        return
    if point is None:
        group.fault = f"line {line}: {fault}"
    elif again:
        group.fault = f"line {line}: the point at x {point[0]:g}, y {point[1]:g} comes again in one reading"
    elif len(group.points) >= _MOST_POINTS:
        group.fault = f"line {line}: more than {_MOST_POINTS} points in one reading"
        group.points.clear()
    else:
        group.points[point[:2]] = point[2]


def _point(x: str, y: str, z: str) -> tuple[tuple[float, float, float] | None, str]:
    try:
        found = (decimal(x), decimal(y), decimal(z) if z.strip() else math.nan)
    except ValueError:
        return None, f"x {x[:20]!r}, y {y[:20]!r}, z {z[:20]!r} are not three numbers"
    if not (math.isfinite(found[0]) and math.isfinite(found[1])):
        return None, f"x {x[:20]!r}, y {y[:20]!r} are not finite"
    return found, ""


def _members(group: _Group, header: Sequence[str]) -> dict[str, Any]:
    """The reading as the members of an NDJSON line."""
    names = ("machine", "taken_at", *OPTIONAL)
    members: dict[str, Any] = {name: from_cell(cell) or None for name, cell in zip(names, group.key, strict=True)}
    xs, ys = sorted({x for x, _ in group.points}), sorted({y for _, y in group.points})
    members["x"], members["y"] = xs, ys
    members["heights"] = [
        [None if math.isnan(z) else z for z in (group.points.get((x, y), math.nan) for x in xs)] for y in ys
    ]
    for fact in FACTS:
        if members[fact.name] is not None:
            members[fact.name] = _VALUES.get(fact.kind, str)(members[fact.name])
    for name in header:
        if name not in KEYS and name != "z":
            members[name] = None
    return members


def _flag(text: str) -> bool | str:
    return {"true": True, "false": False}.get(text.lower(), "?")


def _number(text: str) -> float | str:
    try:
        return decimal(text)
    except ValueError:
        return text


# What a cell says, as JSON would; times and texts stand as they are.
_VALUES: dict[str, Callable[[str], Any]] = {"number": _number, "flag": _flag}
