"""Trend: the Theil-Sen slope with its interval, and whether Mann and Kendall call it one."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from math import erfc, sqrt
from statistics import NormalDist

import numpy as np
from numpy.typing import ArrayLike, NDArray

from farmwatch.mesh import Floats

__all__ = ["SIGNIFICANT", "Trend", "mann_kendall_factor", "mann_kendall_s", "tie_corrected_variance", "trend"]

SIGNIFICANT = 0.005
"""Two-sided significance, per screw, from which a slope is called a trend."""

# Up to here every pair of readings gives a slope; beyond, pairs whose distance is a multiple of a stride do, so that
# the cost grows in proportion to the readings.
_ALL_PAIRS_UP_TO = 256
_LARGEST_CORRELATION = 0.95
_SORT_ALL_UP_TO = 2000
_THIN = 16


@dataclass(frozen=True, slots=True, kw_only=True)
class Trend:
    """One series of heights over time; mm and days, or whatever units were handed in."""

    slope: float
    """Theil-Sen: the median of the slopes of all pairs (Theil 1950, Sen 1968)."""
    low: float
    high: float
    """Ends of its 95 % interval (Sen 1968), autocorrelation allowed for."""
    level: float
    """Median height minus slope x median time: the line's value at time 0."""
    s: float
    """Mann-Kendall's S: pairs that rise minus pairs that fall (Mann 1945)."""
    sd_s: float
    """Its standard deviation without trend, ties (Kendall 1975) and autocorrelation allowed for."""
    z: float
    """S, less 1 towards zero, over its standard deviation."""
    p: float
    """Two-sided significance of z."""
    correlation: float
    """Lag-1 correlation that was allowed for."""

    @property
    def significant(self) -> bool:
        """Whether p is below 0.005."""
        return self.p < SIGNIFICANT


def trend(
    days: ArrayLike, heights: ArrayLike, correlation: float | None = None, confidence: float = 0.95
) -> tuple[Trend, ...]:
    """Trend of each column of heights `[n]` or `[n, m]` over times `[n]` (ascending); empty where none can be told.

    The variance of S is widened for autocorrelation after Hamed & Rao, A modified Mann-Kendall trend test for
    autocorrelated data, J. Hydrology 204 (1998), eq. 17, with the correlations of ranks that an AR(1) implies rather
    than those measured at every lag, which are too noisy in short series. `correlation` is its lag-1 correlation,
    learned per column from the residuals, bias taken off, never below 0, where None.
    Nothing can be told from fewer than 3 readings or from one time only. Raises ValueError where the shapes do not
    fit or something is not finite.
    """
    t, y = np.asarray(days, dtype=np.float64), np.asarray(heights, dtype=np.float64)
    y = y[:, None] if y.ndim == 1 else y
    if t.ndim != 1 or y.ndim != 2 or len(y) != t.size:
        raise ValueError(f"times of shape {t.shape} do not fit heights of shape {y.shape}")
    if not (np.isfinite(t).all() and np.isfinite(y).all()):
        raise ValueError("times and heights must be finite")
    n = t.size
    if n < 3 or not np.ptp(t) > 0:
        return ()
    columns = np.ascontiguousarray(y.T)
    apart, *rises = [_differences(part) for part in (t, *columns)]
    rise = np.stack(rises)
    together = apart <= 0
    if together.any():
        rise, apart = rise[:, ~together], apart[~together]
    if n <= _ALL_PAIRS_UP_TO:
        s = [float(np.count_nonzero(row > 0) - np.count_nonzero(row < 0)) for row in rise]
    else:
        s = [mann_kendall_s(t, column) for column in columns]
    slopes = rise / apart
    found = []
    for k, column in enumerate(columns):
        phi = _correlation(t, column) if correlation is None else float(np.clip(correlation, 0.0, _LARGEST_CORRELATION))
        variance = tie_corrected_variance(column) * mann_kendall_factor(n, phi)
        found.append(_trend(t, column, slopes[k], s[k], variance, phi, confidence))
    return tuple(found)


def mann_kendall_s(days: ArrayLike, heights: ArrayLike) -> float:
    """S of heights `[n]` over times `[n]` (ascending); pairs at one time count for nothing."""
    t, y = np.asarray(days, dtype=np.float64), np.asarray(heights, dtype=np.float64)
    s = 0
    for begin in range(0, t.size, 256):
        end = min(begin + 256, t.size)
        # Everything after the band, whole; and the triangle within it.
        s += int((y[begin:end, None] < y[None, end:]).sum()) - int((y[begin:end, None] > y[None, end:]).sum())
        inner = np.sign(y[None, begin:end] - y[begin:end, None])
        s += int(np.triu(inner, 1).sum())
    equal = np.flatnonzero(np.diff(t) == 0)
    if equal.size:
        for time in np.unique(t[equal]):
            same = y[t == time]
            s -= int(np.triu(np.sign(same[None, :] - same[:, None]), 1).sum())
    return float(s)


def tie_corrected_variance(heights: Floats) -> float:
    """Variance of S without trend (Kendall 1975): [n(n − 1)(2n + 5) − Σ t(t − 1)(2t + 5)] / 18, t ties."""
    n = heights.size
    total = n * (n - 1.0) * (2.0 * n + 5.0)
    ordered = np.sort(heights)
    if (ordered[1:] == ordered[:-1]).any():
        _, count = np.unique(ordered, return_counts=True)
        ties = count[count > 1].astype(np.float64)
        total -= float((ties * (ties - 1.0) * (2.0 * ties + 5.0)).sum())
    return total / 18.0


@lru_cache(maxsize=4096)
def _factor(n: int, phi: float) -> float:
    if n < 3 or phi <= 0:
        return 1.0
    lag = np.arange(1.0, n)
    ranks = 6.0 / np.pi * np.arcsin(phi**lag / 2.0)
    weight = (n - lag) * (n - lag - 1.0) * (n - lag - 2.0)
    return 1.0 + 2.0 / (n * (n - 1.0) * (n - 2.0)) * float((weight * ranks).sum())


def mann_kendall_factor(n: int, correlation: float) -> float:
    """How much autocorrelation widens the variance of S (Hamed & Rao 1998), for an AR(1) of this lag-1 correlation."""
    return _factor(n, round(float(correlation), 4))


def _trend(t: Floats, y: Floats, slopes: Floats, s: float, variance: float, phi: float, confidence: float) -> Trend:
    pairs = slopes.size
    all_pairs = t.size * (t.size - 1) / 2.0
    reach = NormalDist().inv_cdf(0.5 + confidence / 2.0) * sqrt(max(variance, 0.0)) / all_pairs
    # Ranks counted from 0; Sen's M1 and M2 + 1, read between the order statistics they fall between.
    low, high = pairs * (1.0 - reach) / 2.0 - 1.0, pairs * (1.0 + reach) / 2.0
    slope, ends = _order_statistics(slopes, (low, high))
    sd = sqrt(max(variance, 0.0))
    z = 0.0 if sd == 0 or s == 0 else (s - np.sign(s)) / sd
    return Trend(
        slope=slope,
        low=ends[0],
        high=ends[1],
        level=_median(y) - slope * _median(t),
        s=s,
        sd_s=sd,
        z=float(z),
        p=erfc(abs(z) / sqrt(2.0)),
        correlation=phi,
    )


def _order_statistics(values: Floats, places: tuple[float, float]) -> tuple[float, tuple[float, float]]:
    """The median, and values at fractional places (clipped to the ends), without sorting all."""
    n = values.size
    wanted = [min(max(place, 0.0), n - 1.0) for place in (*places, (n - 1) / 2.0)]
    first, last = int(np.floor(min(wanted))), int(np.ceil(max(wanted)))
    below, ordered = _middle(values, first, last)

    def at(place: float) -> float:
        under = int(np.floor(place))
        share = place - under
        left = float(ordered[under - below])
        return left if share == 0 else left + share * (float(ordered[under + 1 - below]) - left)

    return at(wanted[2]), (at(wanted[0]), at(wanted[1]))


def _middle(values: Floats, first: int, last: int) -> tuple[int, Floats]:
    """How many values come before, and, sorted, values among which those of ranks `first` to `last` are.

    A thinned sample brackets them; where it does not after all, everything is sorted.
    """
    n = values.size
    if n > _SORT_ALL_UP_TO:
        sample = np.sort(values[::_THIN])
        margin = 2.5 * np.sqrt(sample.size)
        low = int(first / _THIN - margin)
        high = int(last / _THIN + margin)
        if low >= 0 and high < sample.size:
            above = values >= sample[low]
            some = values[above & (values <= sample[high])]
            below = n - int(np.count_nonzero(above))
            if below <= first and last < below + some.size:
                return below, np.sort(some)
    return 0, np.sort(values)


def _median(values: Floats) -> float:
    # Several times faster than numpy's own on a few hundred values.
    ordered = np.sort(values)
    return float(ordered[(ordered.size - 1) // 2] + ordered[ordered.size // 2]) / 2.0


def _correlation(t: Floats, y: Floats) -> float:
    n = t.size
    if n < 6:
        return 0.0
    away = t - t.mean()
    r = y - y.mean()
    r = r - away * float(away @ r) / float(away @ away)
    squares = float(r @ r)
    if not squares > 0:
        return 0.0
    lag1 = float(r[1:] @ r[:-1]) / squares
    return float(np.clip((n * lag1 + 2.0) / max(n - 4.0, 1.0), 0.0, _LARGEST_CORRELATION))


def _differences(values: Floats) -> Floats:
    """Later minus earlier of the pairs that give slopes."""
    n = values.size
    stride = -(-n // _ALL_PAIRS_UP_TO)
    if stride == 1:
        return np.subtract.outer(values, values).ravel().take(_below_diagonal(n))
    return np.concatenate([values[lag:] - values[:-lag] for lag in range(stride, n, stride)])


@lru_cache(maxsize=300)
def _below_diagonal(n: int) -> NDArray[np.intp]:
    later, earlier = np.tril_indices(n, -1)
    return later * n + earlier
