"""Spikes: single points that their neighbours contradict.

Around each point a quadratic surface is laid through a window of the grid (at most 7 × 7, so that the form of a large
bed is followed), without the point and robustly (Huber 1964). A spike stands off it *and its adjacent points do not
lean with it*: a bent corner leans. First a plain least-squares surface, one matrix product for the whole stack, tells
which readings can hold a spike at all; only those get the costly test.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from farmwatch.measure.plane import least_squares
from farmwatch.measure.points import MAD_TO_SD
from farmwatch.mesh import Floats

__all__ = ["Spikes", "find_spikes", "measure_spikes"]

LEAST_STAND_OFF_MM = 0.05
STAND_OFF_SIGMAS = 6.0
LEAN_SIGMAS = 3.0
LEAN_SHARE = 0.15
LEAST_SIDE = 5
_WINDOW = 7
_TERMS = 6
# Of what a spike must reach, what some point of its reading must reach over the plain surface, which spikes draw off.
_CANDIDATE = 0.5
_HUBER = 1.345
_ROUNDS = 30
_ROUGH_ROUNDS = 3
# Of the bar, after the few rounds: measured, the rest of the rounds moves a stand-off by a few hundredths of it.
_CLOSE = 0.75
_DENSE_POINTS = 512
# Standard deviation of the median of m standard normal values, m = 0 (unused), 1 … 8 (order statistics, computed).
_MEDIAN_SD = np.array([0.0, 1.0, 0.70711, 0.66983, 0.54582, 0.53556, 0.46283, 0.45874, 0.41009])


@dataclass(frozen=True, slots=True, eq=False)
class Spikes:
    """Which points are spikes `[n, r, c]`, and how far each stands off the surface without it, mm (zero elsewhere)."""

    mask: NDArray[np.bool_]
    stands_off: Floats


@dataclass(frozen=True, slots=True, eq=False)
class _Windows:
    """For each of p points of a grid: the w points of its window, itself among them, its neighbours, the surface."""

    index: NDArray[np.intp]
    """`[p, w]`"""
    own: NDArray[np.bool_]
    """`[p, w]`"""
    adjacent: NDArray[np.bool_]
    """`[p, w]`"""
    terms: Floats
    """`[p, w, 6]` quadratics, orthonormal over the window."""
    loose: Any
    """`[p, p]` stand-off of every point from the least-squares surface without it."""
    free: Floats
    """`[p]` share of a point's noise that is left in its residual, 1 − leverage."""


def find_spikes(x: ArrayLike, y: ArrayLike, z: ArrayLike, sigma: ArrayLike | None = None) -> NDArray[np.bool_]:
    """Which points of z `[n, r, c]` (mm, NaN missing) on axes x `[c]`, y `[r]` are spikes; see `measure_spikes`."""
    return measure_spikes(x, y, z, sigma).mask


def measure_spikes(x: ArrayLike, y: ArrayLike, z: ArrayLike, sigma: ArrayLike | None = None) -> Spikes:
    """Find spikes in z `[n, r, c]` (mm, NaN missing) on axes x `[c]`, y `[r]`.

    A point is a spike when it stands off a robust surface fitted without it by more than max(6 robust σ, 0.05 mm) and,
    against a surface fitted without it and without its adjacent points, the median stand-off of those in its direction
    is below max(3 sd of that median, 15 % of its own). The robust σ is that of the residuals, or `sigma` (sd of a
    point, mm, one for all or `[n]`) where larger. Next to a bent point that stands off further the same way, a point is
    the slope of that bend and no spike. Grids under 5 × 5 name none; nor is a point without neighbours named.
    Raises ValueError where the shapes do not fit.
    """
    xs, ys, zs = (np.asarray(part, dtype=np.float64) for part in (x, y, z))
    if zs.ndim != 3 or zs.shape[1:] != (ys.size, xs.size):
        raise ValueError(f"heights of shape {zs.shape} do not fit {ys.size} y and {xs.size} x coordinates")
    found = Spikes(np.zeros(zs.shape, dtype=bool), np.zeros(zs.shape))
    if min(zs.shape[1:]) < LEAST_SIDE or not len(zs):
        return found
    flat = zs.reshape(len(zs), -1)
    noise = np.broadcast_to(np.asarray(0.0 if sigma is None else sigma, dtype=np.float64), (len(zs),))
    windows = _windows(xs.tobytes(), ys.tobytes())
    reading, point = _candidates(windows, _filled(xs, ys, flat), np.isfinite(flat), noise)
    reading, point = _close(windows, flat, noise, reading, point)
    # Spikes draw the plain surface off towards each other: where one point stands off, every point is looked at.
    suspect = np.unique(reading)
    here = np.isfinite(flat[suspect])
    row, point = np.nonzero(here)
    reading, point = _close(windows, flat, noise, suspect[row], point)
    stands_off, spike = _test(windows, flat, noise, reading, point)
    found.mask.reshape(flat.shape)[reading[spike], point[spike]] = True
    found.stands_off.reshape(flat.shape)[reading[spike], point[spike]] = stands_off[spike]
    return found


def _filled(x: Floats, y: Floats, flat: Floats) -> Floats:
    """Heights with the missing ones taken from a quadratic surface, to look for candidates only."""
    here = np.isfinite(flat)
    if here.all():
        return flat
    some = ~here.all(axis=1)
    terms = _quadratics(*(part.ravel() for part in np.meshgrid(_unit(x), _unit(y))))
    guess = least_squares(terms, flat[some]).coefficients @ terms.T
    whole = flat.copy()
    whole[some] = np.where(here[some], flat[some], np.nan_to_num(guess))
    return whole


def _candidates(
    windows: _Windows, whole: Floats, here: NDArray[np.bool_], noise: Floats
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    off = np.abs(whole @ windows.loose.T)
    middle = np.partition(off * np.sqrt(windows.free), off.shape[1] // 2, axis=1)[:, off.shape[1] // 2]
    sigma = np.maximum(MAD_TO_SD * middle, noise)
    bar = _CANDIDATE * np.maximum(STAND_OFF_SIGMAS * sigma, LEAST_STAND_OFF_MM)
    reading, point = np.nonzero((off > bar[:, None]) & here)
    return reading, point


def _close(
    windows: _Windows, flat: Floats, noise: Floats, reading: NDArray[np.intp], point: NDArray[np.intp]
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """The candidates that a few rounds of the robust fit do not already show to be noise."""
    own = windows.own[point]
    rough = _Surface.fit(windows, flat, noise, reading, point, own, _ROUGH_ROUNDS)
    bar = np.maximum(STAND_OFF_SIGMAS * rough.sigma, LEAST_STAND_OFF_MM)
    close = rough.known & (np.abs(np.where(own, rough.rest, 0.0).sum(axis=1)) > _CLOSE * bar)
    return reading[close], point[close]


def _test(
    windows: _Windows, flat: Floats, noise: Floats, reading: NDArray[np.intp], point: NDArray[np.intp]
) -> tuple[Floats, NDArray[np.bool_]]:
    """Stand-off of each candidate `[m]`, and whether it is a spike."""
    own, adjacent = windows.own[point], windows.adjacent[point]
    alone = _Surface.fit(windows, flat, noise, reading, point, own)
    rest = np.where(own, alone.rest, 0.0).sum(axis=1)
    stands = np.abs(rest) > np.maximum(STAND_OFF_SIGMAS * alone.sigma, LEAST_STAND_OFF_MM)
    spike = np.zeros(len(point), dtype=bool)
    left = np.flatnonzero(stands & alone.known)
    apart = _Surface.fit(windows, flat, noise, reading[left], point[left], (own | adjacent)[left])
    leaning = _leans(apart, own[left], adjacent[left], np.sign(rest[left]))
    spike[left] = apart.known & ~leaning
    bent = left[apart.known & leaning]
    spike &= ~_beside(windows, flat.shape, reading, point, rest, bent)
    return rest, spike


def _beside(
    windows: _Windows,
    shape: tuple[int, ...],
    reading: NDArray[np.intp],
    point: NDArray[np.intp],
    rest: Floats,
    bent: NDArray[np.intp],
) -> NDArray[np.bool_]:
    """Which candidates `[m]` are next to a bent point that stands off further the same way: the slope of its bend."""
    if not bent.size:
        return np.zeros(len(point), dtype=bool)
    rows, row = np.unique(reading, return_inverse=True)
    bend = np.zeros((len(rows), shape[1]))
    bend[row[bent], point[bent]] = rest[bent]
    near = np.where(windows.adjacent[point], bend[row[:, None], windows.index[point]], 0.0)
    beside: NDArray[np.bool_] = (near * np.sign(rest)[:, None]).max(axis=1) > np.abs(rest)
    return beside


@dataclass(frozen=True, slots=True, eq=False)
class _Surface:
    """Robust surfaces of m windows of w points."""

    rest: Floats
    """`[m, w]` heights over the surface; NaN where missing."""
    sigma: Floats
    """`[m]`"""
    terms: Floats
    cofactor: Floats
    """`[m, 6, 6]`"""
    known: NDArray[np.bool_]
    """`[m]` whether the points used determine a surface at all."""

    @classmethod
    def fit(
        cls,
        windows: _Windows,
        flat: Floats,
        noise: Floats,
        reading: NDArray[np.intp],
        point: NDArray[np.intp],
        without: NDArray[np.bool_],
        rounds: int = _ROUNDS,
    ) -> _Surface:
        heights = flat[reading[:, None], windows.index[point]]
        used = np.isfinite(heights) & ~without
        terms = windows.terms[point]
        gram = (terms * used[:, :, None]).swapaxes(1, 2) @ terms
        count = used.sum(axis=1)
        # The terms are orthonormal over the whole window: a small eigenvalue is a surface that hangs in the air.
        known = (np.linalg.eigvalsh(gram)[:, 0] > 1e-4) & (count > _TERMS + 1) if len(gram) else count > 0
        gram[~known] = np.eye(_TERMS)
        rest, sigma = _huber(terms, heights, used, count, rounds)
        return cls(
            rest, np.maximum(sigma, noise[reading]), terms, np.asarray(np.linalg.inv(gram), dtype=np.float64), known
        )


def _huber(
    terms: Floats, heights: Floats, used: NDArray[np.bool_], count: NDArray[np.intp], rounds: int
) -> tuple[Floats, Floats]:
    """Huber's M-estimate by reweighted least squares, scale 1.4826·MAD: residuals `[m, w]` and σ `[m]`."""
    z = np.where(used, heights, 0.0)
    weight = used.astype(np.float64)
    freedom = np.sqrt(count / np.maximum(count - _TERMS, 1))
    rest, sigma = heights.copy(), np.zeros(len(z))
    open_ = np.arange(len(z))
    before = np.full((len(z), _TERMS), np.inf)
    for _ in range(rounds):
        if not open_.size:
            break
        t, w = terms[open_], weight[open_]
        weighted = (t * w[:, :, None]).swapaxes(1, 2)
        gram = weighted @ t + 1e-12 * np.eye(_TERMS)
        fit = np.linalg.solve(gram, weighted @ z[open_][:, :, None])[:, :, 0]
        rest[open_] = heights[open_] - (t @ fit[:, :, None])[:, :, 0]
        off = np.abs(rest[open_])
        sigma[open_] = MAD_TO_SD * _median(off, used[open_]) * freedom[open_]
        knee = _HUBER * np.maximum(sigma[open_], 1e-9)[:, None]
        weight[open_] = np.where(used[open_], np.minimum(1.0, knee / np.maximum(off, knee)), 0.0)
        moving = np.abs(fit - before[open_]).max(axis=1) > 1e-5
        before[open_] = fit
        open_ = open_[moving]
    return rest, sigma


def _leans(
    surface: _Surface, own: NDArray[np.bool_], adjacent: NDArray[np.bool_], direction: Floats
) -> NDArray[np.bool_]:
    """Whether the adjacent points of each candidate `[m]` lean with it (or cannot speak at all)."""
    if not len(direction):
        return np.zeros(0, dtype=bool)
    off = surface.rest * direction[:, None]
    speak = adjacent & np.isfinite(off)
    count = speak.sum(axis=1)
    silent = count == 0
    median = _median(off, speak)
    mean_terms = (surface.terms * speak[:, :, None]).sum(axis=1) / np.maximum(count, 1)[:, None]
    hang = np.einsum("mi,mij,mj->m", mean_terms, surface.cofactor, mean_terms)
    sd = np.where(silent, 0.0, surface.sigma * np.sqrt(_MEDIAN_SD[np.maximum(count, 1)] ** 2 + hang))
    self_off = np.where(own, off, 0.0).sum(axis=1)
    leaning: NDArray[np.bool_] = silent | (median >= np.maximum(LEAN_SIGMAS * sd, LEAN_SHARE * self_off))
    return leaning


def _median(values: Floats, counted: NDArray[np.bool_]) -> Floats:
    """Median of each row of values `[m, w]` over the counted ones; infinite where none is."""
    count = counted.sum(axis=1)
    ordered = np.sort(np.where(counted, values, np.inf), axis=1)
    row = np.arange(len(values))
    middle: Floats = (ordered[row, np.maximum(count - 1, 0) // 2] + ordered[row, count // 2 % values.shape[1]]) / 2
    return middle


@lru_cache(maxsize=8)
def _windows(x_bytes: bytes, y_bytes: bytes) -> _Windows:
    x, y = np.frombuffer(x_bytes), np.frombuffer(y_bytes)
    row, column = (part.ravel() for part in np.meshgrid(np.arange(y.size), np.arange(x.size), indexing="ij"))
    rows, columns = _near(row, y.size), _near(column, x.size)
    near_row = np.repeat(rows, columns.shape[1], axis=1)
    near_column = np.tile(columns, (1, rows.shape[1]))
    away = np.maximum(np.abs(near_row - row[:, None]), np.abs(near_column - column[:, None]))
    index = near_row * x.size + near_column
    u, v = x[near_column] - x[column][:, None], y[near_row] - y[row][:, None]
    u, v = (part / np.abs(part).max(axis=1, keepdims=True) for part in (u, v))
    terms, _ = np.linalg.qr(_quadratics(u, v))
    own = away == 0
    hat = terms @ (terms * own[:, :, None]).sum(axis=1)[:, :, None]
    free = 1.0 - np.where(own, hat[:, :, 0], 0.0).sum(axis=1)
    weights = (own - hat[:, :, 0]) / free[:, None]
    return _Windows(
        index=index,
        own=own,
        adjacent=away == 1,
        terms=terms,
        loose=_as_matrix(index, weights),
        free=free,
    )


def _as_matrix(index: NDArray[np.intp], weights: Floats) -> Any:
    """The weights `[p, w]` of the points `index` as a matrix `[p, p]`, sparse where that is less work."""
    points = len(index)
    if points <= _DENSE_POINTS:
        dense = np.zeros((points, points))
        np.put_along_axis(dense, index, weights, axis=1)
        return dense
    # Imported here: slow to import, and most grids are small.
    from scipy.sparse import csr_array

    where = np.repeat(np.arange(points), index.shape[1])
    return csr_array((weights.ravel(), (where, index.ravel())), shape=(points, points))


def _near(at: NDArray[np.intp], size: int) -> NDArray[np.intp]:
    """The places `[p, side]` of a window that holds `at`, in its middle where the grid allows."""
    side = min(_WINDOW, size)
    first = np.clip(at - side // 2, 0, size - side)
    return np.asarray(first[:, None] + np.arange(side))


def _quadratics(u: Floats, v: Floats) -> Floats:
    return np.stack([np.ones_like(u), u, v, u * u, u * v, v * v], axis=-1)


def _unit(values: Floats) -> Floats:
    unit: Floats = (values - values.mean()) / float(np.ptp(values))
    return unit
