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

# A mesh of 32 x 32 points.
_MOST_COLUMNS = 1024


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

    def keys(self) -> dict[str, Any]:
        """What a reading is known by and stands for, a row each, as a table that DuckDB reads."""
        return {
            "i": np.arange(len(self)),
            "machine": self.machine,
            "taken_us": self.taken_at,
            "g": self.grid,
            "grid": np.array([grid_number(x, y) for x, y in self.grids], dtype=np.int64)[self.grid],
            "range_mm": self.range_mm,
            "digest": self.digest,
            **self.facts,
        }

    def grid_table(self) -> dict[str, Any]:
        """The coordinates of every grid."""
        return {
            "g": np.arange(len(self.grids)),
            "x": objects([x.tolist() for x, _ in self.grids]),
            "y": objects([y.tolist() for _, y in self.grids]),
        }

    def height_columns(self) -> tuple[dict[str, Any], str]:
        """The heights as columns of `keys`, and the SQL that makes a list of them.

        A column a point: DuckDB gathers them five times as fast as it groups rows into lists. Meshes too large, or
        too unlike, for that come as lists of Python's.
        """
        points = self._points()
        most = int(points.max())
        if most > _MOST_COLUMNS or most * len(self) > 4 * self.heights.size:
            ends = np.cumsum(points)[:-1]
            lists = [[None if h != h else h for h in z.tolist()] for z in np.split(self.heights, ends)]
            return {"heights": objects(lists)}, "n.heights::DOUBLE[]"
        names = [f"v{k}" for k in range(most)]
        listed = f"[{', '.join(f'n.{name}' for name in names)}]"
        if int(points.min()) == most:
            z = self.heights.reshape(-1, most)
        else:
            z = np.full((len(self), most), np.nan)
            z[np.arange(most)[None, :] < points[:, None]] = self.heights
            listed += "[1:n.points]"
        return {"points": points, **dict(zip(names, np.ascontiguousarray(z.T), strict=True))}, listed


def grid_number(x: Floats, y: Floats) -> int:
    """A number that grids share only where every coordinate is the same, on every machine and for good."""
    sizes = np.array([x.size, y.size], dtype="<i8").tobytes()
    body = sizes + (x + 0.0).astype("<f8").tobytes() + (y + 0.0).astype("<f8").tobytes()
    return int.from_bytes(hashlib.sha256(body).digest()[:8], "little", signed=True)
