"""Heights as a stack of points: the one layout that every formula of this package works on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from farmwatch.mesh import Floats

__all__ = ["MAD_TO_SD", "PointStack", "as_stack", "grid_points", "masks"]

MAD_TO_SD = 1.4826
"""Standard deviation of normal values over their median absolute deviation: 1 / Φ⁻¹(3/4)."""


@dataclass(frozen=True, slots=True, eq=False)
class PointStack:
    """Heights z `[n, points]` over shared x `[points]`, y `[points]`, mm; `shape` is that of the z handed in."""

    x: Floats
    y: Floats
    z: Floats
    shape: tuple[int, ...]

    @property
    def one(self) -> bool:
        """Whether a single reading was handed in, so that single numbers go back."""
        return len(self.shape) == 1

    def each(self, values: Floats) -> Floats:
        """`values [n, ...]` per reading; without the first axis where one reading was handed in."""
        if not self.one:
            return values
        first: Floats = values[0]
        return first


def grid_points(x: ArrayLike, y: ArrayLike) -> tuple[Floats, Floats]:
    """The points of a grid with axes x `[c]`, y `[r]` as two arrays `[r * c]`, row by row."""
    xx, yy = np.meshgrid(np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64))
    return xx.ravel(), yy.ravel()


def as_stack(x: ArrayLike, y: ArrayLike, z: ArrayLike) -> PointStack:
    """Lay heights out as points: z `[points]` or `[n, points]` with x, y `[points]`, or z `[n, r, c]` with axes.

    Missing heights are NaN. Raises ValueError where the shapes do not fit or a coordinate is not finite.
    """
    xs, ys, zs = (np.asarray(part, dtype=np.float64) for part in (x, y, z))
    if xs.ndim != 1 or ys.ndim != 1 or not 1 <= zs.ndim <= 3:
        raise ValueError(f"x and y want one axis and z one to three; got {xs.ndim}, {ys.ndim} and {zs.ndim}")
    if zs.ndim == 3:
        if zs.shape[1:] != (ys.size, xs.size):
            raise ValueError(f"grids of {zs.shape[1:]} do not fit {ys.size} y and {xs.size} x coordinates")
        px, py = grid_points(xs, ys)
    else:
        if not xs.size == ys.size == zs.shape[-1]:
            raise ValueError(f"{xs.size} x, {ys.size} y and {zs.shape[-1]} heights are not one set of points")
        px, py = xs, ys
    if not (np.isfinite(px).all() and np.isfinite(py).all()):
        raise ValueError("every x and y must be a finite number; only heights may be missing")
    return PointStack(px, py, zs.reshape(zs.shape[0] if zs.ndim > 1 else 1, px.size), zs.shape)


def masks(z: Floats) -> tuple[NDArray[np.bool_], NDArray[np.intp]]:
    """Which patterns of missing points occur: `here [g, points]` and, for each reading of z `[n, points]`, its g."""
    here = np.isfinite(z)
    if here.all():
        return np.ones((1, z.shape[1]), dtype=bool), np.zeros(z.shape[0], dtype=np.intp)
    # Bytes as one opaque value sort many times faster than rows of booleans.
    packed = np.ascontiguousarray(np.packbits(here, axis=1))
    keys = packed.view(np.dtype((np.void, packed.shape[1]))).ravel()
    _, first, group = np.unique(keys, return_index=True, return_inverse=True)
    return here[first], group.reshape(-1)
