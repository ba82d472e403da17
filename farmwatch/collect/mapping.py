"""Reads a host's answer by its mapping: a mesh with its time, temperature, plate and identity, or why there is none.

Strict on purpose: what is not exactly what the mapping says is `garbled`, a mesh that cannot be is `implausible`, and
neither is ever mended on the way.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import partial
from itertools import chain
from typing import Any

import numpy as np

from farmwatch import config
from farmwatch.collect.body import json_document, text_rows
from farmwatch.collect.faults import PollError
from farmwatch.collect.grid import Convention, axis, check_count, kind, numbers, points_grid
from farmwatch.collect.hosttime import host_time
from farmwatch.collect.lookup import MISSING, Lookup
from farmwatch.history import COLDEST_CELSIUS, HOTTEST_CELSIUS
from farmwatch.mesh import Floats, Mesh, MeshRefused
from farmwatch.text import excerpt

__all__ = ["HostMesh", "Reader", "read_answer"]

LONGEST_LABEL = 200
LEAST_A_SIDE = 3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HostMesh:
    """What one answer said. `remarks` are things amiss that cost no mesh, in words."""

    mesh: Mesh
    taken_at: datetime | None = None
    """The host's own time, UTC, not yet found believable."""
    bed_celsius: float | None = None
    plate: str | None = None
    identity: str | None = None
    remarks: tuple[str, ...] = ()
    read_by: str | None = None
    """The mark of the mapping."""
    answer: bytes | None = None
    """What the host said, packed to be kept; None where it is not to be kept."""


def read_answer(mapping: config.Mapping, body: bytes, also: Sequence[bytes] = ()) -> HostMesh:
    """Read one answer, and the answers of the mapping's `also` in their order. Raises PollError."""
    return Reader(mapping).read(body, also)


class Reader:
    """A mapping with its JSONPaths compiled: build one per mapping, read any number of answers, from any thread."""

    def __init__(self, mapping: config.Mapping) -> None:
        self.mapping = mapping
        self._mark = mapping.mark
        self._convention = Convention(
            first=mapping.first,
            order=mapping.order,
            serpentine=mapping.serpentine,
            unit=mapping.unit,
            sign=mapping.sign,
        )
        self._heights = _lookup(mapping.heights)
        self._columns = _lookup(mapping.columns) if isinstance(mapping.columns, str) else mapping.columns
        self._point = tuple(_lookup(path) for path in (mapping.point_x, mapping.point_y, mapping.point_z))
        self._x = _Coordinates("x", mapping.x, backwards=self._convention.from_right)
        self._y = _Coordinates("y", mapping.y, backwards=self._convention.from_rear)
        self._layouts = {"rows": self._from_rows, "flat": self._from_flat, "points": self._from_points}
        self._beside = (_Beside(mapping), *(_Beside(part) for part in mapping.also))

    def read(self, body: bytes, also: Sequence[bytes] = ()) -> HostMesh:
        """The mesh in `body` with what stands beside it; PollError where there is none."""
        if self.mapping.answer == "text":
            document = None
            rows = text_rows(body)
            block: list[Any] = list(chain.from_iterable(rows)) if self.mapping.layout == "flat" else list(rows)
        else:
            document = json_document(body)
            block = self._block(document)
        # A number of 300 digits overflows on the way to being refused; that is no news.
        with np.errstate(over="ignore", invalid="ignore"):
            mesh = self._layouts[self.mapping.layout](document, block)
        return self._with_related(mesh, [document, *map(json_document, also)])

    def _block(self, document: Any) -> list[Any]:
        """The list at `heights`: one list, or everything that a path of many places finds."""
        lookup = self._heights
        if lookup is None:
            raise PollError("garbled", f"mapping {self.mapping.name!r} names no heights")
        if lookup.singular:
            value = lookup.one(document)
        else:
            value = lookup.all(document)
            if len(value) == 1 and type(value[0]) is list and (self.mapping.layout != "rows" or _nested(value[0])):
                value = value[0]
            value = value or MISSING
        if value is MISSING:
            raise PollError(
                "no-mesh", f"{lookup.text} finds nothing: no mesh yet, or the path is wrong{_inside(document)}"
            )
        if value is None or value == [] or value == {}:
            raise PollError("no-mesh", f"{lookup.text} holds no heights: no mesh yet")
        if type(value) is not list:
            raise PollError("garbled", f"{lookup.text} holds {kind(value)} where heights are wanted")
        return value

    def _from_rows(self, document: Any, rows: list[Any]) -> Mesh:
        for number, row in enumerate(rows, 1):
            if type(row) is not list:
                raise PollError("garbled", f"row {number} holds {kind(row)} where a list of heights is wanted")
            if len(row) != len(rows[0]):
                raise PollError("garbled", f"row {number} holds {len(row):,} heights and row 1 holds {len(rows[0]):,}")
        width = len(rows[0])
        check_count(len(rows) * width)
        flat = list(chain.from_iterable(rows))
        heights = numbers(flat, lambda i: f"row {i // width + 1}, value {i % width + 1}", nulls=True)
        return self._from_runs(document, heights.reshape(len(rows), width))

    def _from_flat(self, document: Any, values: list[Any]) -> Mesh:
        check_count(len(values))
        heights = numbers(values, lambda i: f"height {i + 1}", nulls=True)
        columns = self._columns
        if isinstance(columns, Lookup):
            columns = columns.one(document)
            if type(columns) is not int:
                raise PollError("garbled", f"columns: {self.mapping.columns} holds {kind(columns)}, not a whole number")
        if columns is None:
            raise PollError("garbled", f"mapping {self.mapping.name!r} does not say its columns")
        return self._from_runs(document, heights.reshape(self._convention.shape_of_runs(heights.size, columns)))

    def _from_runs(self, document: Any, runs: Floats) -> Mesh:
        _some_height(runs)
        if min(runs.shape) < LEAST_A_SIDE:
            raise PollError("implausible", f"{_times(runs)} heights; a mesh wants at least 3 x 3")
        z = self._convention.heights(self._convention.grid(runs))
        x = self._x.read(document, z.shape[1])
        y = self._y.read(document, z.shape[0])
        return _accepted(x, y, z)

    def _from_points(self, _document: Any, points: list[Any]) -> Mesh:
        check_count(len(points))
        columns: list[Floats] = []
        for name, lookup in zip("xyz", self._point, strict=True):
            if lookup is None:
                raise PollError("garbled", f"mapping {self.mapping.name!r} names no point_{name}")
            values = [lookup.one(point) for point in points]
            if name == "z":
                values = [None if value is MISSING else value for value in values]
            columns.append(numbers(values, partial(_of_point, name), nulls=name == "z"))
        x, y, z = columns
        _some_height(z)
        return _accepted(*points_grid(x, y, self._convention.heights(z)))

    def _with_related(self, mesh: Mesh, documents: list[Any]) -> HostMesh:
        found: dict[str, Any] = {}
        for beside, document in zip(self._beside, documents, strict=False):
            for name, lookup in beside.lookups:
                value = lookup.one(document)
                if found.get(name) is None and value is not MISSING:
                    found[name] = value
        remarks: list[str] = []
        if self._wants_identity and found.get("identity") is None:
            raise PollError("garbled", "the identity that the mapping speaks of is missing")
        return HostMesh(
            mesh=mesh,
            taken_at=self._time(found.get("taken_at"), remarks),
            bed_celsius=_celsius(found.get("bed_celsius"), remarks),
            plate=_label("plate", found.get("plate")),
            identity=_label("identity", found.get("identity")),
            remarks=tuple(remarks),
            read_by=self._mark,
        )

    @property
    def _wants_identity(self) -> bool:
        return any(name == "identity" for beside in self._beside for name, _ in beside.lookups)

    def _time(self, value: Any, remarks: list[str]) -> datetime | None:
        if value is None:
            return None
        try:
            return host_time(value, self.mapping.taken_at_zone, self.mapping.taken_at_format)
        except ValueError as error:
            remarks.append(f"{error}; the time it was first seen is taken")
            return None


class _Beside:
    """The lookups of what stands beside the heights in one answer."""

    def __init__(self, part: config.Mapping | config.settings.Also) -> None:
        paths = {name: getattr(part, name) for name in ("taken_at", "bed_celsius", "plate", "identity")}
        self.lookups = tuple((name, Lookup(path)) for name, path in paths.items() if path)


class _Coordinates:
    """Where the coordinates along x or y come from."""

    def __init__(self, name: str, given: str | tuple[Any, ...] | None, *, backwards: bool) -> None:
        self._name = name
        self._backwards = backwards
        self._fixed: Floats | None = None
        self._lookups: tuple[Lookup, ...] = ()
        if isinstance(given, str):
            self._lookups = (Lookup(given),)
        elif given is not None and all(isinstance(part, str) for part in given):
            self._lookups = tuple(Lookup(part) for part in given)
        elif given is not None:
            self._fixed = np.array(given, dtype=np.float64)

    def read(self, document: Any, count: int) -> Floats:
        """`count` coordinates, ascending; PollError where the answer does not hold them."""
        values = self._fixed if self._fixed is not None else self._listed(document)
        return axis(self._name, values, count, backwards=self._backwards)

    def _listed(self, document: Any) -> Floats:
        if not self._lookups:
            raise PollError("garbled", f"the mapping does not say {self._name}")
        if len(self._lookups) == 2:
            ends = [lookup.one(document) for lookup in self._lookups]
            return numbers(ends, lambda i: f"{self._name}: {self._lookups[i].text}")
        lookup = self._lookups[0]
        found = lookup.one(document) if lookup.singular else lookup.all(document)
        if type(found) is list and not lookup.singular and len(found) == 1 and type(found[0]) is list:
            found = found[0]
        if type(found) is not list or len(found) < 2:
            raise PollError("garbled", f"{self._name}: {lookup.text} holds {kind(found)} where coordinates are wanted")
        check_count(len(found))
        return numbers(found, lambda i: f"{self._name}: value {i + 1} of {lookup.text}")


def _lookup(path: str | None) -> Lookup | None:
    return None if path is None else Lookup(path)


def _of_point(name: str, i: int) -> str:
    return f"{name} of point {i + 1}"


def _times(runs: Floats) -> str:
    return f"{runs.shape[0]:,} x {runs.shape[1]:,}"


def _nested(value: list[Any]) -> bool:
    return bool(value) and type(value[0]) is list


def _inside(document: Any) -> str:
    """A hint at what the answer holds instead."""
    if type(document) is dict and document:
        names = ", ".join(excerpt(name, 20) for name in list(document)[:6])
        return f" (the answer holds {names}{', …' if len(document) > 6 else ''})"
    return f" (the answer is {kind(document)})"


def _some_height(values: Floats) -> None:
    if not values.size or np.isnan(values).all():
        raise PollError("no-mesh", f"all {values.size:,} heights are missing: no mesh yet")


def _accepted(x: Floats, y: Floats, z: Floats) -> Mesh:
    try:
        return Mesh.accept(x, y, z)
    except MeshRefused as refused:
        raise PollError("implausible", str(refused)) from None


def _celsius(value: Any, remarks: list[str]) -> float | None:
    if value is None:
        return None
    if type(value) not in (int, float):
        raise PollError("garbled", f"bed_celsius holds {kind(value)} where a number is wanted")
    if not (math.isfinite(value) and COLDEST_CELSIUS <= value <= HOTTEST_CELSIUS):
        remarks.append(f"a bed of {value:g} °C cannot be; its temperature is left out")
        return None
    return float(value)


def _label(name: str, value: Any) -> str | None:
    if value is None or value == "":
        return None
    if type(value) not in (str, int, float):
        raise PollError("garbled", f"{name} holds {kind(value)} where a text or a number is wanted")
    return excerpt(value, LONGEST_LABEL)
