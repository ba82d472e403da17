"""Readings as columns: the one form in which they enter and leave the database, for one reading or a million."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from farmwatch.history import Reading
from farmwatch.mesh import Floats
from farmwatch.store.reading_facts import FACTS, objects
from farmwatch.times import micros

__all__ = ["Objects", "ReadingColumns", "grid_number"]

Objects = NDArray[np.object_]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ReadingColumns:
    """`n` readings. Times are int64 microseconds since the epoch, UTC.

    `grids[grid[i]]` holds reading i's x and y; `heights` holds all heights one reading after the other, row by row
    from the front, NaN where missing. `facts` holds a column `[n]` for every row of `reading_facts.FACTS`.
    """

    machine: Objects
    taken_at: NDArray[np.int64]
    grid: NDArray[np.int64]
    grids: tuple[tuple[Floats, Floats], ...]
    heights: Floats
    range_mm: Floats
    digest: Objects
    facts: Mapping[str, NDArray[Any]]

    def __len__(self) -> int:
        return int(self.taken_at.size)

    @classmethod
    def of(cls, readings: Sequence[Reading]) -> ReadingColumns:
        """Gather readings, in their order."""
        index: dict[tuple[bytes, bytes], int] = {}
        grids: list[tuple[Floats, Floats]] = []
        grid = np.empty(len(readings), dtype=np.int64)
        for i, reading in enumerate(readings):
            key = (reading.mesh.x.tobytes(), reading.mesh.y.tobytes())
            if key not in index:
                index[key] = len(grids)
                grids.append((reading.mesh.x, reading.mesh.y))
            grid[i] = index[key]
        meshes = [reading.mesh for reading in readings]
        return cls(
            machine=objects([r.machine for r in readings]),
            taken_at=np.array([micros(r.taken_at) for r in readings], dtype=np.int64),
            grid=grid,
            grids=tuple(grids),
            heights=np.concatenate([mesh.z.ravel() for mesh in meshes]) if meshes else np.empty(0),
            range_mm=np.array([mesh.range_mm for mesh in meshes], dtype=float),
            digest=objects([mesh.digest() for mesh in meshes]),
            facts={fact.name: fact.column([getattr(r, fact.name) for r in readings]) for fact in FACTS},
        )

    @classmethod
    def joined(cls, parts: Sequence[ReadingColumns]) -> ReadingColumns:
        """Readings of several, one after the other."""
        filled = [part for part in parts if len(part)]
        if len(filled) == 1:
            return filled[0]
        if not filled:
            return cls.of([])
        before = np.cumsum([0] + [len(part.grids) for part in filled])
        whole: dict[str, Any] = {
            name: np.concatenate([getattr(part, name) for part in filled])
            for name in cls.__slots__
            if name not in ("grid", "grids", "facts")
        }
        whole["facts"] = {fact.name: np.concatenate([part.facts[fact.name] for part in filled]) for fact in FACTS}
        whole["grid"] = np.concatenate([part.grid + offset for part, offset in zip(filled, before, strict=False)])
        whole["grids"] = tuple(grid for part in filled for grid in part.grids)
        return cls(**whole)

    def repeated(self) -> NDArray[np.bool_]:
        """Where a reading comes a second time: the same machine, time and digest as one before it."""
        seen: set[tuple[str, int, str]] = set()
        again = np.zeros(len(self), dtype=bool)
        for i, key in enumerate(zip(self.machine, self.taken_at.tolist(), self.digest, strict=True)):
            again[i] = key in seen
            seen.add(key)
        return again

    def select(self, keep: NDArray[np.bool_]) -> ReadingColumns:
        """Only the readings where `keep` `[n]` is true."""
        if keep.all():
            return self
        narrow: dict[str, Any] = {
            name: getattr(self, name)[keep] for name in self.__slots__ if name not in ("grids", "heights", "facts")
        }
        narrow["facts"] = {name: column[keep] for name, column in self.facts.items()}
        heights = self.heights[np.repeat(keep, self._points())]
        return ReadingColumns(grids=self.grids, heights=heights, **narrow)

    def _points(self) -> NDArray[np.int64]:
        """How many heights each reading has."""
        sizes = np.array([y.size * x.size for x, y in self.grids], dtype=np.int64)
        return sizes[self.grid]

    def tables(self) -> dict[str, Any]:
        """What the insert statement reads, by table name: one row a reading, a height, a grid and a coordinate."""
        return {
            "new_readings": {
                "i": np.arange(len(self)),
                "machine": self.machine,
                "taken_us": self.taken_at,
                "g": self.grid,
                "grid": np.array([grid_number(x, y) for x, y in self.grids], dtype=np.int64)[self.grid],
                "range_mm": self.range_mm,
                "digest": self.digest,
                **self.facts,
            },
            "new_heights": {
                "i": np.repeat(np.arange(len(self)), self._points()),
                "o": np.arange(self.heights.size),
                "v": self.heights,
            },
            "new_x": _axis([x for x, _ in self.grids]),
            "new_y": _axis([y for _, y in self.grids]),
        }


def grid_number(x: Floats, y: Floats) -> int:
    """A number that grids share only where every coordinate is the same, on every machine and for good."""
    sizes = np.array([x.size, y.size], dtype="<i8").tobytes()
    body = sizes + (x + 0.0).astype("<f8").tobytes() + (y + 0.0).astype("<f8").tobytes()
    return int.from_bytes(hashlib.sha256(body).digest()[:8], "little", signed=True)


def _axis(axes: list[Floats]) -> dict[str, NDArray[Any]]:
    return {
        "g": np.repeat(np.arange(len(axes)), [axis.size for axis in axes]),
        "o": np.concatenate([np.arange(axis.size) for axis in axes]),
        "v": np.concatenate(axes),
    }
