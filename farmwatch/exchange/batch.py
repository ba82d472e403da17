"""Parsed lines to columns, many at a time.

Every line is held to the rules of `Mesh.accept` and `reading_of`. Lines that share one sane grid are checked and
fingerprinted as a stack; whatever does not plainly pass there goes through `reading_of` alone, which takes it or
says what is wrong with it. So a stack may be slow to trust, but never trusts what a single reading would not.
"""

from __future__ import annotations

import difflib
import hashlib
from array import array
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from itertools import chain
from typing import Any

import numpy as np
import orjson
from numpy.typing import NDArray

from farmwatch.history import Reading
from farmwatch.mesh import LARGEST_HEIGHT_MM, LARGEST_MISSING_SHARE, LARGEST_RANGE_MM, Floats, Mesh, MeshRefused
from farmwatch.store import ReadingColumns
from farmwatch.store.reading_facts import FACTS, KEYS, LineRefused, objects
from farmwatch.store.reading_json import reading_of
from farmwatch.times import micros

__all__ = ["Gatherer", "Line"]

Line = tuple[int, dict[str, Any]]
"""Where a reading stands in its file, and its members."""

_PLAIN = tuple((fact, fact.plainly) for fact in FACTS if fact.plainly)
_CHECKS = tuple((fact.name, plainly) for fact, plainly in _PLAIN)
_RARE = tuple(fact for fact in FACTS if not fact.plainly)
_PLAIN_KEYS = frozenset({"machine", "taken_at", "x", "y", "heights", *(fact.name for fact, _ in _PLAIN)})
_NUMBERS = frozenset({int, float, type(None)})
_EARLIEST = datetime(2015, 1, 1, tzinfo=UTC)
_MOST_AHEAD = timedelta(minutes=5)
_MICROSECOND = timedelta(microseconds=1)
# On axes with steps as small as this, "the points lie in a line" is a matter of rounding: left to Mesh.accept.
_SMALLEST_STEP = 1e-6
_MOST_GRIDS = 10_000


@dataclass(slots=True)
class _Grid:
    """Lines that share coordinates, and what a fingerprint of any of them begins with."""

    x: Floats
    y: Floats
    begun: Any
    lengths: list[int]
    """Of every row of heights."""
    lines: list[Line] = field(default_factory=list)
    taken_us: list[int] = field(default_factory=list)
    flat: list[Any] = field(default_factory=list)

    def clear(self) -> None:
        self.lines, self.taken_us, self.flat = [], [], []


class Gatherer:
    """Turns parsed lines into columns; knows the farm's machines and the time of the import."""

    def __init__(self, machines: Collection[str], now: datetime, refuse: Callable[[int, str], None]) -> None:
        self._machines = frozenset(machines)
        self._now = now
        self._refuse = refuse
        self._first_us = micros(_EARLIEST)
        self._last_us = micros(now + _MOST_AHEAD)
        self._unsaid = {fact.name: now if fact.kind == "time" else fact.imported for fact in _RARE}
        self._grids: dict[bytes, _Grid | None] = {}
        self._last: _Grid | None = None
        self._last_x: object = None
        self._last_y: object = None
        self.not_read: set[str] = set()

    def columns(self, lines: Sequence[Line]) -> ReadingColumns:
        """The readings of these lines; every other line is refused with its reason."""
        joins = self._joins
        alone = [line for line in lines if not joins(line)]
        parts = []
        for grid in self._grids.values():
            if grid is not None and grid.lines:
                part, doubtful = self._stack(grid)
                alone += doubtful
                parts.append(part)
                grid.clear()
        if len(self._grids) > _MOST_GRIDS:
            # Between two batches: what was laid to a grid is never forgotten with it.
            self._grids.clear()
            self._last = self._last_x = self._last_y = None
        readings = [reading for reading in map(self._single, sorted(alone, key=_place)) if reading]
        return ReadingColumns.joined([*parts, ReadingColumns.of(readings)])

    def _joins(self, line: Line) -> bool:
        """Lay the line to those that share its grid; False where that is not plainly right."""
        members = line[1]
        if not members.keys() <= _PLAIN_KEYS:
            self.not_read |= members.keys() - KEYS
            if not _says_no_more(members):
                return False
        try:
            x, y, rows = members["x"], members["y"], members["heights"]
            grid = self._last if x == self._last_x and y == self._last_y else self._grid(x, y)
            if grid is None or members["machine"] not in self._machines or [*map(len, rows)] != grid.lengths:
                return False
            taken = (datetime.fromisoformat(members["taken_at"]) - _EARLIEST) // _MICROSECOND + self._first_us
        except (KeyError, TypeError, ValueError, OverflowError):
            return False
        if not self._first_us <= taken <= self._last_us:
            return False
        for name, plainly in _CHECKS:
            value = members.get(name)
            if value is not None and not plainly(value):
                return False
        grid.lines.append(line)
        grid.taken_us.append(taken)
        grid.flat.extend(chain.from_iterable(rows))
        return True

    def _grid(self, x: object, y: object) -> _Grid | None:
        # JSON text as the key tells true from 1, which Python's == does not.
        key = orjson.dumps((x, y))
        if key not in self._grids:
            self._grids[key] = _sane_grid(x, y)
        grid = self._grids[key]
        if grid is not None and not {0.0, 1.0} & {*grid.x.tolist(), *grid.y.tolist()}:
            # Lists equal to these hold no true or false: the next line need not be written out to know its grid.
            self._last, self._last_x, self._last_y = grid, x, y
        return grid

    def _stack(self, grid: _Grid) -> tuple[ReadingColumns, list[Line]]:
        """The lines of one grid as columns, and those left to be looked at alone."""
        points = grid.y.size * grid.x.size
        z = _numbers(grid.flat, points)
        whole = z is not None
        z = np.empty((0, points)) if z is None else z
        fine = _plainly_fine(z) if whole else np.zeros(len(grid.lines), dtype=bool)
        doubtful = [line for line, is_fine in zip(grid.lines, fine.tolist(), strict=True) if not is_fine]
        lines = [line for line, is_fine in zip(grid.lines, fine.tolist(), strict=True) if is_fine]
        taken = np.array(grid.taken_us, dtype=np.int64)[fine]
        return self._fine(grid, lines, taken, z[fine] if whole else z), doubtful

    def _fine(self, grid: _Grid, lines: Sequence[Line], taken: NDArray[np.int64], z: Floats) -> ReadingColumns:
        members = [line[1] for line in lines]
        n = len(members)
        top, bottom = (np.nanmax(z, axis=1), np.nanmin(z, axis=1)) if n else (np.empty(0), np.empty(0))
        return ReadingColumns(
            machine=objects([found["machine"] for found in members]),
            taken_at=taken,
            grid=np.zeros(n, dtype=np.int64),
            grids=((grid.x, grid.y),),
            heights=z.ravel(),
            range_mm=top - bottom,
            digest=objects(_digests(grid.begun, z)),
            facts={
                **{fact.name: fact.column([found.get(fact.name) for found in members]) for fact, _ in _PLAIN},
                **{fact.name: fact.column([self._unsaid[fact.name]]).repeat(n) for fact in _RARE},
            },
        )

    def _single(self, line: Line) -> Reading | None:
        place, members = line
        try:
            reading = reading_of(members, self._now)
            self._check(reading, members)
        except LineRefused as refused:
            self._refuse(place, str(refused))
            return None
        return reading

    def _check(self, reading: Reading, members: dict[str, Any]) -> None:
        if reading.machine not in self._machines:
            near = difflib.get_close_matches(reading.machine, self._machines, 1)
            hint = f"; is {near[0]} meant?" if near else "; add it to the configuration first"
            raise LineRefused(f"machine: {reading.machine[:60]!r} is not in the configuration{hint}")
        if not _EARLIEST <= reading.taken_at <= self._now + _MOST_AHEAD:
            # As the file has it: in another zone nobody would find it there.
            raise LineRefused(f"taken_at: {str(members['taken_at'])[:60]} lies before 2015 or in the future")


def _place(line: Line) -> int:
    return line[0]


def _says_no_more(members: dict[str, Any]) -> bool:
    """Whether a line with rarer members says no more by them than a plain import does."""
    return all(members.get(fact.name) is None or _same(members[fact.name], fact.imported) for fact in _RARE)


def _same(value: object, imported: object) -> bool:
    """Equal and of one type: 0 is not false here."""
    return type(value) is type(imported) and value == imported


def _sane_grid(x: object, y: object) -> _Grid | None:
    """The grid of two ascending axes with steps worth the name; None where `reading_of` has to look."""
    if not (isinstance(x, list) and isinstance(y, list) and {int, float}.issuperset(map(type, chain(x, y)))):
        return None
    try:
        flat = Mesh.accept(x, y, np.zeros((len(y), len(x))))
    except (MeshRefused, ValueError, OverflowError):
        return None
    for axis, given in ((flat.x, x), (flat.y, y)):
        steps = np.diff(axis)
        if axis.tolist() != [float(value) for value in given] or steps.min() < _SMALLEST_STEP * np.ptp(axis):
            return None
    shape = np.array([flat.rows, flat.columns], dtype="<i8").tobytes()
    begun = hashlib.sha256(shape + b"".join((axis + 0.0).astype("<f8").tobytes() for axis in (flat.x, flat.y)))
    return _Grid(flat.x, flat.y, begun, [flat.columns] * flat.rows)


def _numbers(flat: list[Any], points: int) -> Floats | None:
    """Heights `[n, points]` of what JSON held, null as NaN; None where something else than numbers is among them."""
    try:
        # Ten times as fast as numpy; takes nothing but numbers, and true and false for 1 and 0.
        z = np.frombuffer(array("d", flat), dtype=np.float64)
    except (TypeError, OverflowError):
        return _numbers_and_nulls(flat, points)
    ends = np.flatnonzero((z == 0.0) | (z == 1.0)).tolist()
    return None if any(type(flat[i]) is bool for i in ends) else z.reshape(-1, points)


def _numbers_and_nulls(flat: list[Any], points: int) -> Floats | None:
    if not _NUMBERS.issuperset(map(type, flat)):
        return None
    try:
        return np.array(flat, dtype=np.float64).reshape(-1, points)
    except OverflowError:
        return None


def _plainly_fine(z: Floats) -> NDArray[np.bool_]:
    """Which meshes `[n, points]` pass every rule on heights with no further look."""
    missing = np.isnan(z)
    heights = np.where(missing, 0.0, z)
    few = missing.mean(axis=1) <= LARGEST_MISSING_SHARE
    near = np.abs(heights).max(axis=1) <= LARGEST_HEIGHT_MM
    top = np.where(missing, -np.inf, z).max(axis=1)
    bottom = np.where(missing, np.inf, z).min(axis=1)
    with np.errstate(over="ignore"):
        fine: NDArray[np.bool_] = few & near & (top - bottom <= LARGEST_RANGE_MM)
    return fine


def _digests(begun: Any, z: Floats) -> list[str]:
    """`Mesh.digest` of each mesh `[n, points]` of one grid."""
    bodies = np.where(np.isnan(z), np.nan, z + 0.0).astype("<f8")
    found = []
    for body in bodies:
        whole = begun.copy()
        whole.update(body)
        found.append(whole.hexdigest())
    return found
