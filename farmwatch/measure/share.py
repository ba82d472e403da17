"""The noise's share of a range: a noisy mesh reads higher than the bed is, the more so the finer its grid.

The highest and the lowest of many noisy points stand further apart than those of the bed under them. How much further
is found by adding the noise once more, to a mesh freed of it: the parametric bootstrap (Efron & Tibshirani, An
Introduction to the Bootstrap, 1993, 10.3). Free of noise is the form through a penalised smoother on its cosines
(Garcia, Robust smoothing of gridded data, Comput. Stat. Data Anal. 54, 2010), as smooth along each axis as Stein's
unbiased estimate of the risk asks for (Stein, Ann. Statist. 9, 1981); the plane is left alone.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from farmwatch.measure.form import spread
from farmwatch.measure.minimum_zone import minimum_zone_along, minimum_zone_plane
from farmwatch.measure.plane import least_squares_plane
from farmwatch.measure.points import grid_points
from farmwatch.mesh import Floats

__all__ = ["range_shares", "zones_without_noise"]

# Penalties tried along each axis, and draws of the noise for a range and for a zone, which costs more.
_PENALTIES = np.logspace(-2.0, 6.0, 9)
_DRAWS, _ZONE_DRAWS = 64, 24
_SEED = 20
# A missing point is filled from the smooth form around it.
_FILLINGS = 3
_HEIGHTS_A_ROUND = 1_000_000


def range_shares(x: Floats, y: Floats, z: Floats, sigma: Floats, left: Floats | None = None) -> Floats:
    """By how much the range of each of z `[n, r, c]` (mm, NaN missing) reads high, points of sd sigma `[n]`.

    left `[n]`: the noise that is left in z where it is a mean of meshes, of one of which the share is asked.

    On invented beds of 5 x 5 to 30 x 30 points with 0.005 to 0.015 mm of noise the range less its share is right to
    0.004 mm on average; raw it reads 0.004 to 0.05 mm high (tests/benchmarks/bench_range.py).
    """
    form = least_squares_plane(x, y, z).residuals
    smooth = (z - form + _smoothed(form, sigma if left is None else left)).reshape(len(z), -1)
    noise = _draws(_DRAWS, *z.shape[1:])
    step = max(1, _HEIGHTS_A_ROUND // noise.size)
    shares = np.empty(len(z))
    for begin in range(0, len(z), step):
        some = slice(begin, begin + step)
        noisy = smooth[some, None, :] + sigma[some, None, None] * noise
        widths = spread(noisy.reshape(-1, noise.shape[1])).reshape(-1, _DRAWS)
        shares[some] = widths.mean(axis=1) - spread(smooth[some])
    return np.maximum(shares, 0.0)


def zones_without_noise(x: Floats, y: Floats, form: Floats, sigma: Floats, way: Floats | None) -> tuple[Floats, Floats]:
    """F and flatness deviation (minimum zone) `[n]`, mm, of forms `[n, r, c]`, the noise's share taken off.

    sigma `[n]`: sd of a point of each. way: the direction in which two screws tilt the bed, None where there are more.
    """
    n, points = len(form), grid_points(x, y)
    smooth = _smoothed(form, sigma).reshape(n, 1, -1)
    flat = form.reshape(n, 1, -1)
    noise = _draws(_ZONE_DRAWS, *form.shape[1:])
    every = np.concatenate([flat, smooth, smooth + sigma[:, None, None] * noise], axis=1).reshape(-1, flat.shape[2])

    def without_noise(width: Floats) -> Floats:
        widths = width.reshape(n, -1)
        return np.asarray(widths[:, 0] - np.maximum(widths[:, 2:].mean(axis=1) - widths[:, 1], 0.0))

    flatness = without_noise(minimum_zone_plane(*points, every).width)
    return flatness if way is None else without_noise(minimum_zone_along(*points, every, way).width), flatness


def _smoothed(form: Floats, sigma: Floats) -> Floats:
    """Forms `[n, r, c]` freed of noise of sigma `[n]`; NaN where they are."""
    here = np.isfinite(form)
    rows, columns, factors, squares, degrees = _smoothers(*form.shape[1:])
    filled, smooth = np.where(here, form, 0.0), form
    for _ in range(1 if here.all() else _FILLINGS):
        cosines = rows @ filled @ columns.T
        risk = (cosines**2).reshape(len(form), -1) @ squares.T + 2.0 * sigma[:, None] ** 2 * degrees
        smooth = rows.T @ (cosines * factors[risk.argmin(axis=1)]) @ columns
        filled = np.where(here, form, smooth)
    return np.where(here, smooth, np.nan)


@lru_cache(maxsize=32)
def _draws(draws: int, rows: int, columns: int) -> Floats:
    """Noise of unit sd, `[draws, points]`, each with its mirror images: a mirrored mesh has the same share."""
    # A fixed seed: the same mesh has the same share every time.
    some = np.random.default_rng(_SEED).standard_normal((draws // 4, rows, columns))
    images = [some, some[:, ::-1], some[:, :, ::-1], some[:, ::-1, ::-1]]
    return np.concatenate(images).reshape(draws, rows * columns)


@lru_cache(maxsize=32)
def _smoothers(r: int, c: int) -> tuple[Floats, Floats, Floats, Floats, Floats]:
    """Cosines of both axes, factors `[s, r, c]` of every smoother, squares of what each leaves, degrees of freedom."""
    along_y, along_x = (2.0 - 2.0 * np.cos(np.pi * np.arange(n) / n) for n in (r, c))
    roots = np.sqrt(_PENALTIES)
    bend = roots[:, None, None, None] * along_y[:, None] + roots[None, :, None, None] * along_x
    factors = (1.0 / (1.0 + bend**2)).reshape(-1, r, c)
    squares = ((1.0 - factors) ** 2).reshape(len(factors), -1)
    return _cosines(r), _cosines(c), factors, squares, factors.sum(axis=(1, 2))


def _cosines(n: int) -> Floats:
    """Orthonormal discrete cosine transform `[n, n]`."""
    k, i = np.arange(n)[:, None], np.arange(n)[None, :]
    matrix: Floats = np.sqrt(2.0 / n) * np.cos(np.pi * (i + 0.5) * k / n)
    matrix[0] /= np.sqrt(2.0)
    return matrix
