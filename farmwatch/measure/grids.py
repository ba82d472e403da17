"""From one grid to another: meshes of a machine whose grid has changed are read on common points."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from farmwatch.history import Stack
from farmwatch.mesh import Floats

__all__ = ["common_points", "interpolate"]

# A common point may lie this far outside another grid, as a share of its spacing, and still be read at its edge.
_SLACK = 0.25


def interpolate(x: Floats, y: Floats, z: Floats, to_x: Floats, to_y: Floats) -> Floats:
    """Heights z `[n, r, c]` on axes x, y read on the grid to_x `[c2]`, to_y `[r2]` by bilinear interpolation.

    `[n, r2, c2]`; NaN where a point lies outside, or next to a missing one.
    """
    if np.array_equal(x, to_x) and np.array_equal(y, to_y):
        return z
    rows, columns = _weights(y, to_y), _weights(x, to_x)
    here = np.isfinite(z)
    read: Floats = rows @ np.where(here, z, 0.0) @ columns.T
    if here.all():
        return read
    lost = np.abs(rows) @ (~here).astype(np.float64) @ np.abs(columns).T
    return np.where(lost > 1e-9, np.nan, read)


def common_points(stacks: Sequence[Stack]) -> tuple[Floats, Floats]:
    """Axes x, y on which every stack can be read: those of the coarsest grid, where they lie inside all others.

    Read on the same points, a curved bed has the same plane on every grid; on its own points it would seem to move.
    """
    coarsest = min(stacks, key=lambda stack: stack.x.size * stack.y.size)
    x = _inside(coarsest.x, [stack.x for stack in stacks])
    y = _inside(coarsest.y, [stack.y for stack in stacks])
    return x, y


def _inside(axis: Floats, others: Sequence[Floats]) -> Floats:
    low = max(float(other[0] - _SLACK * (other[1] - other[0])) for other in others)
    high = min(float(other[-1] + _SLACK * (other[-1] - other[-2])) for other in others)
    kept = axis[(axis >= low) & (axis <= high)]
    if kept.size >= 3:
        return kept
    # Grids that hardly share points: three places across what they share, or across the coarsest where they share none.
    ends = (low, high) if high > low else (float(axis[0]), float(axis[-1]))
    return np.linspace(*ends, 3)


def _weights(axis: Floats, to: Floats) -> Floats:
    """Matrix `[to, axis]` of linear interpolation. Rows for points outside the source grid are NaN, never zero."""
    place = np.clip(np.searchsorted(axis, to, side="right") - 1, 0, axis.size - 2)
    width = axis[place + 1] - axis[place]
    share = (to - axis[place]) / width
    inside = (share >= -_SLACK) & (share <= 1.0 + _SLACK)
    share = np.clip(share, 0.0, 1.0)
    weights = np.zeros((to.size, axis.size))
    weights[np.arange(to.size), place] = 1.0 - share
    weights[np.arange(to.size), place + 1] = share
    weights[~inside] = np.nan
    return weights
