"""Mesh: a grid of probed bed heights, the one value that flows everywhere. Values only, no I/O.

All lengths mm. `x[c]` and `y[r]` ascend, `z[r, c]` is the height at (x[c], y[r]), positive where the bed is
higher (nearer the nozzle), row 0 at the front, NaN where a point is missing.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from farmwatch.errors import FarmwatchError

__all__ = ["Floats", "Mesh", "MeshRefused"]

Floats = NDArray[np.float64]

LEAST_POINTS_A_SIDE = 3
LARGEST_MISSING_SHARE = 0.20
# No bed that prints stands 20 mm off, and a probe that says so reports another unit or another quantity.
LARGEST_HEIGHT_MM = 20.0
LARGEST_RANGE_MM = 20.0
# No bed is ten metres wide, and no probe is set a hundredth of a millimetre further.
LARGEST_COORDINATE_MM = 10_000.0
LEAST_SPACING_MM = 0.01


class MeshRefused(FarmwatchError):
    """A mesh that cannot be; the message says which rule and where."""


@dataclass(frozen=True, slots=True, eq=False)
class Mesh:
    """One accepted mesh. Build it with `Mesh.accept`, which checks; the arrays are read-only."""

    x: Floats
    y: Floats
    z: Floats

    @classmethod
    def accept(cls, x: ArrayLike, y: ArrayLike, z: ArrayLike) -> Mesh:
        """Check and orient a grid: x `[columns]`, y `[rows]`, z `[rows, columns]`, mm; descending axes are flipped.

        Raises MeshRefused, naming the rule and the place.
        """
        xs, ys, zs = (_numbers(name, part) for name, part in (("x", x), ("y", y), ("z", z)))
        _check_shape(xs, ys, zs)
        if xs[0] > xs[-1]:
            xs, zs = xs[::-1], zs[:, ::-1]
        if ys[0] > ys[-1]:
            ys, zs = ys[::-1], zs[::-1, :]
        _check_axis("x", xs)
        _check_axis("y", ys)
        _check_heights(xs, ys, zs)
        arrays = tuple(np.ascontiguousarray(part) for part in (xs, ys, zs))
        for part in arrays:
            part.flags.writeable = False
        return cls(*arrays)

    @property
    def rows(self) -> int:
        """Number of rows, front to rear."""
        return int(self.y.size)

    @property
    def columns(self) -> int:
        """Number of columns, left to right."""
        return int(self.x.size)

    @property
    def range_mm(self) -> float:
        """Highest minus lowest height over the points present, never smoothed."""
        span = float(self.z.max() - self.z.min())
        return span if span == span else float(np.nanmax(self.z) - np.nanmin(self.z))

    def points(self) -> tuple[Floats, Floats, Floats]:
        """The points present as three equal-length arrays x, y, z."""
        xx, yy = np.meshgrid(self.x, self.y)
        here = np.isfinite(self.z)
        return xx[here], yy[here], self.z[here]

    def digest(self) -> str:
        """A fingerprint of coordinates and heights, to know the same mesh again; equal only where every bit is."""
        shape = np.array([self.rows, self.columns], dtype="<i8").tobytes()
        # Adding zero turns -0.0 into 0.0; NaN payloads are made one.
        heights = np.where(np.isnan(self.z), np.nan, self.z + 0.0)
        body = b"".join(
            np.ascontiguousarray(part, dtype="<f8").tobytes() for part in (self.x + 0.0, self.y + 0.0, heights)
        )
        return hashlib.sha256(shape + body).hexdigest()

    def same_as(self, other: Mesh) -> bool:
        """Whether both hold the same coordinates and heights, missing points alike."""
        return (
            np.array_equal(self.x, other.x)
            and np.array_equal(self.y, other.y)
            and np.array_equal(self.z, other.z, equal_nan=True)
        )


def _check_shape(x: Floats, y: Floats, z: Floats) -> None:
    if x.ndim != 1 or y.ndim != 1 or z.ndim != 2:
        raise MeshRefused(
            f"a mesh wants one list of x, one of y and rows of heights; "
            f"got {x.ndim}-, {y.ndim}- and {z.ndim}-fold nesting"
        )
    if z.shape != (y.size, x.size):
        raise MeshRefused(f"{z.shape[0]} rows of {z.shape[1]} heights do not fit {y.size} y and {x.size} x coordinates")
    if min(z.shape) < LEAST_POINTS_A_SIDE:
        raise MeshRefused(
            f"a mesh wants at least {LEAST_POINTS_A_SIDE} x {LEAST_POINTS_A_SIDE} points; "
            f"got {z.shape[0]} rows of {z.shape[1]}"
        )


def _check_axis(name: str, axis: Floats) -> None:
    # The machines of a farm share a few grids, and their axes need be looked at once.
    fault = _fault_of_axis(name, axis.tobytes())
    if fault:
        raise MeshRefused(fault)


@lru_cache(maxsize=256)
def _fault_of_axis(name: str, body: bytes) -> str:
    axis = np.frombuffer(body)
    bad = np.flatnonzero(~np.isfinite(axis))
    if bad.size:
        return f"{name} coordinate {bad[0] + 1} of {axis.size} is not a finite number"
    far = np.flatnonzero(np.abs(axis) > LARGEST_COORDINATE_MM)
    if far.size:
        return (
            f"{name} coordinate {far[0] + 1} of {axis.size} is {axis[far[0]]:.6g} mm; "
            f"more than {LARGEST_COORDINATE_MM:g} mm is another unit or another quantity"
        )
    flat = np.flatnonzero(np.diff(axis) <= 0)
    if flat.size:
        at = int(flat[0])
        return f"{name} coordinates must run one way without repeats; {axis[at]:g} is followed by {axis[at + 1]:g}"
    close = np.flatnonzero(np.diff(axis) < LEAST_SPACING_MM)
    if close.size:
        at = int(close[0])
        return f"{name} coordinates {axis[at]:.6g} and {axis[at + 1]:.6g} stand closer than {LEAST_SPACING_MM:g} mm"
    return ""


def _check_heights(x: Floats, y: Floats, z: Floats) -> None:
    lowest, highest = float(z.min()), float(z.max())
    # Most meshes are whole and sound; a missing or infinite point makes one of these fail.
    if lowest >= -LARGEST_HEIGHT_MM and highest <= LARGEST_HEIGHT_MM and highest - lowest <= LARGEST_RANGE_MM:
        return
    if np.isinf(z).any():
        raise MeshRefused(f"the height at {_place(x, y, np.isinf(z))} is infinite")
    here = np.isfinite(z)
    missing = 1.0 - here.mean()
    if missing > LARGEST_MISSING_SHARE:
        raise MeshRefused(
            f"{missing:.0%} of the points are missing, the first at {_place(x, y, ~here)}; "
            f"at most {LARGEST_MISSING_SHARE:.0%} may be"
        )
    # A whole grid never lies in a line, and most meshes are whole.
    if missing and _lie_in_a_line(x, y, here):
        raise MeshRefused("the points that are present lie in a line; no plane can be laid through them")
    off = np.where(here, np.abs(z), 0.0)
    if off.max() > LARGEST_HEIGHT_MM:
        worst = off == off.max()
        raise MeshRefused(
            f"the height at {_place(x, y, worst)} is {z[worst][0]:.6g} mm; "
            f"more than {LARGEST_HEIGHT_MM:g} mm off is another unit or another quantity"
        )
    spread = float(np.nanmax(z) - np.nanmin(z))
    if spread > LARGEST_RANGE_MM:
        raise MeshRefused(
            f"the range is {spread:.6g} mm, from {_place(x, y, z == np.nanmin(z))} to "
            f"{_place(x, y, z == np.nanmax(z))}; more than {LARGEST_RANGE_MM:g} mm is another unit or another quantity"
        )


def _lie_in_a_line(x: Floats, y: Floats, here: NDArray[np.bool_]) -> bool:
    xx, yy = np.meshgrid(x, y)
    where = np.column_stack([np.ones(int(here.sum())), _unit(xx[here]), _unit(yy[here])])
    return bool(np.linalg.matrix_rank(where) < 3)


def _place(x: Floats, y: Floats, where: NDArray[np.bool_]) -> str:
    """The first such point. Rows count from the front, which is not where every host begins: so its x and y, too."""
    row, column = np.argwhere(where)[0]
    return f"row {row + 1}, column {column + 1} (x {x[column]:g}, y {y[row]:g})"


def _numbers(name: str, values: ArrayLike) -> Floats:
    try:
        return np.array(values, dtype=np.float64)
    except (TypeError, ValueError) as fault:
        raise MeshRefused(f"{name} is not an even list of numbers: {fault}") from fault


def _unit(values: Floats) -> Floats:
    middle = values.mean()
    unit: Floats = (values - middle) / max(float(np.ptp(values)), 1e-300)
    return unit
