"""Everything that one pass says of a stack of meshes that share a grid."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import ArrayLike, NDArray

from farmwatch.measure.form import root_mean_square, shape_of_form, spread
from farmwatch.measure.minimum_zone import minimum_zone_along, minimum_zone_plane
from farmwatch.measure.plane import least_squares_plane
from farmwatch.measure.points import grid_points
from farmwatch.measure.screws import line_of_two, screw_heights
from farmwatch.measure.spikes import measure_spikes
from farmwatch.mesh import Floats

__all__ = ["StackMeasures", "measure_stack"]

# Heights of one round of work, chosen to stay within a core's own cache.
_HEIGHTS_A_ROUND = 50_000


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StackMeasures:
    """Measures of n readings on one grid, k screws; lengths mm, slopes mm/mm.

    Spikes are left out of the plane and of everything taken from it; only `range_mm` is raw.
    """

    range_mm: Floats
    """`[n]` highest minus lowest height present, spikes and all."""
    range_without_spikes_mm: Floats
    """`[n]`"""
    a: Floats
    """`[n]` height of the least-squares plane at the grid's centre (x0, y0)."""
    bx: Floats
    """`[n]` its slope along x."""
    by: Floats
    """`[n]` its slope along y."""
    form: Floats
    """`[n, r, c]` heights over that plane, spikes too; NaN where missing."""
    flatness_ls: Floats
    """`[n]` FLTt from the least-squares plane."""
    flatness_mz: Floats
    """`[n]` F: the least range that these screws, as real numbers, can reach."""
    minimum_zone: Floats
    """`[n]` FLTt from the minimum-zone plane: F, but for two screws, which reach less."""
    rms: Floats
    """`[n]` FLTq from the least-squares plane."""
    spikes: NDArray[np.bool_]
    """`[n, r, c]`"""
    stands_off: Floats
    """`[n, r, c]` how far each spike stands off the surface without it, positive where too high; zero elsewhere."""
    heights: Floats
    """`[n, k]` u: the plane at each screw relative to the reference screw."""
    heights_covariance: Floats
    """`[n, k, k]`"""
    not_adjustable: Floats
    """`[n]` tilt across the line of two screws; zero with three or more."""
    shape: NDArray[np.object_]
    """`[n]` name of the form's shape."""
    shares: Floats
    """`[n, 3]` share of the form's squares that x², xy, y² explain."""


def measure_stack(
    x: ArrayLike,
    y: ArrayLike,
    z: ArrayLike,
    screws_xy: ArrayLike,
    reference_index: int,
    sigma: ArrayLike | None = None,
) -> StackMeasures:
    """Measure z `[n, r, c]` (mm, NaN missing) on axes x `[c]`, y `[r]`, for screws at screws_xy `[k, 2]`.

    sigma: sd of a point, mm, one for all or `[n]`; the residuals' own where None. Raises ValueError where the
    shapes do not fit or the screws cannot hold a bed.
    """
    xs, ys = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    heights = np.asarray(z, dtype=np.float64)
    if heights.ndim != 3 or heights.shape[1:] != (ys.size, xs.size):
        raise ValueError(f"heights of shape {heights.shape} do not fit {ys.size} y and {xs.size} x coordinates")
    screws = np.asarray(screws_xy, dtype=np.float64)
    n = len(heights)
    noise = None if sigma is None else np.broadcast_to(np.asarray(sigma, dtype=np.float64), (n,))
    size = max(1, _HEIGHTS_A_ROUND // max(1, xs.size * ys.size))
    parts = [
        _measure(xs, ys, heights[i : i + size], screws, reference_index, None if noise is None else noise[i : i + size])
        for i in range(0, max(n, 1), size)
    ]
    return StackMeasures(
        **{field.name: np.concatenate([getattr(part, field.name) for part in parts]) for field in fields(StackMeasures)}
    )


def _measure(x: Floats, y: Floats, z: Floats, screws: Floats, reference: int, sigma: Floats | None) -> StackMeasures:
    n = len(z)
    px, py = grid_points(x, y)
    found = measure_spikes(x, y, z, sigma)
    spikes = found.mask
    raw = z.reshape(n, px.size)
    clean = np.where(spikes.reshape(n, px.size), np.nan, raw) if spikes.any() else raw
    plane = least_squares_plane(px, py, clean)
    zone = minimum_zone_plane(px, py, clean).width
    way = line_of_two(screws)
    held = screw_heights(plane, screws, reference, sigma)
    shape = shape_of_form(px, py, clean)
    form = raw - plane.at(px, py)
    return StackMeasures(
        range_mm=spread(raw),
        range_without_spikes_mm=spread(clean),
        a=plane.a,
        bx=plane.bx,
        by=plane.by,
        form=form.reshape(z.shape),
        flatness_ls=spread(plane.residuals),
        flatness_mz=zone if way is None else minimum_zone_along(px, py, clean, way).width,
        minimum_zone=zone,
        rms=root_mean_square(plane.residuals),
        spikes=spikes,
        stands_off=found.stands_off,
        heights=held.relative,
        heights_covariance=held.covariance,
        not_adjustable=held.not_adjustable,
        shape=shape.name,
        shares=shape.shares,
    )
