"""Noise: how far a point, and a range, would stray if the same bed were probed again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from farmwatch.measure.form import spread
from farmwatch.measure.points import MAD_TO_SD
from farmwatch.mesh import Floats

__all__ = ["GUESSED_SIGMA_MM", "PointNoise", "point_noise", "range_noise", "simulated_range_sd"]

GUESSED_SIGMA_MM = 0.01
LEAST_PAIRS = 3
LEAST_RANGE_PAIRS = 6
_PLANE_TERMS = 3


@dataclass(frozen=True, slots=True)
class PointNoise:
    """Standard deviation of one probed point, mm, how many pairs of readings speak for it, and whose they are."""

    sigma_mm: float
    pairs: int
    source: Literal["own", "pooled", "guess"]


def point_noise(forms: Sequence[ArrayLike], pooled_mm: float | None = None) -> PointNoise:
    """Point σ of one machine from its forms: one array `[n, ...]` in time order for each grid (NaN missing).

    1.4826·MAD of the differences of successive forms / √2 × √(N/(N − 3)): taking a plane away takes three of N
    degrees of freedom with it. With fewer than 3 pairs the pooled value of its model is used, and 0.01 mm, a guess,
    where there is none either.
    """
    sigma, pairs = _sigma(forms)
    if pairs >= LEAST_PAIRS:
        return PointNoise(sigma, pairs, "own")
    if pooled_mm is not None and np.isfinite(pooled_mm):
        return PointNoise(float(pooled_mm), pairs, "pooled")
    return PointNoise(GUESSED_SIGMA_MM, pairs, "guess")


def range_noise(ranges: ArrayLike) -> float | None:
    """Sd of the range, mm, from ranges `[n]` in time order: 1.4826·MAD(ΔR)/√2; None with fewer than 6 pairs."""
    change = np.diff(np.asarray(ranges, dtype=np.float64))
    change = change[np.isfinite(change)]
    if change.size < LEAST_RANGE_PAIRS:
        return None
    return _robust_sd(change) / float(np.sqrt(2.0))


def simulated_range_sd(
    z: ArrayLike,
    sigma_mm: float,
    influence: ArrayLike,
    height_covariance: ArrayLike,
    rng: np.random.Generator,
    draws: int = 500,
) -> float:
    """Sd of the range of heights z `[points]` or `[r, c]`, mm, by simulation.

    Each draw adds the noise of every point, and a tilt: noise of the screw heights (`height_covariance [k, k]`, mm²,
    how they stray from one probing to the next) through `influence [k, points]`. √2·σ alone would leave out the tilt
    and is too small by a third or more. The same `rng` state gives the same answer.
    """
    heights = np.ravel(np.asarray(z, dtype=np.float64))
    shares = np.asarray(influence, dtype=np.float64)
    size, axes = np.linalg.eigh(np.asarray(height_covariance, dtype=np.float64))
    root = axes * np.sqrt(np.maximum(size, 0.0))
    tilt = rng.standard_normal((draws, len(root))) @ root.T @ shares
    noise = sigma_mm * rng.standard_normal((draws, heights.size))
    return float(np.std(spread(heights + tilt + noise), ddof=1))


def _sigma(forms: Sequence[ArrayLike]) -> tuple[float, int]:
    scaled, pairs = [], 0
    for form in forms:
        stack = np.asarray(form, dtype=np.float64)
        change = np.diff(stack.reshape(len(stack), -1), axis=0)
        here = np.isfinite(change)
        count = here.sum(axis=1)
        use = count > _PLANE_TERMS
        pairs += int(use.sum())
        # Each pair is widened by its own points, so grids of different size can be pooled.
        wide = change[use] * np.sqrt(count[use] / (count[use] - _PLANE_TERMS))[:, None]
        scaled.append(wide[here[use]])
    if not pairs:
        return float("nan"), 0
    return _robust_sd(np.concatenate(scaled)) / float(np.sqrt(2.0)), pairs


def _robust_sd(values: Floats) -> float:
    return MAD_TO_SD * float(np.median(np.abs(values - np.median(values))))
