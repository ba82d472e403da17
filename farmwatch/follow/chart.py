"""Control charts of a series: EWMA with its limits, and cumulative sums."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from farmwatch.mesh import Floats

__all__ = ["cusum", "ewma", "ewma_limits"]


def ewma(values: ArrayLike, weight: float, start: float) -> Floats:
    """Exponentially weighted moving average z_i = weight·x_i + (1 − weight)·z_(i−1) of values `[n]`, z_0 = start first.

    `[n + 1]`. NIST/SEMATECH e-Handbook 6.3.2.4; Roberts 1959.
    """
    x = np.asarray(values, dtype=np.float64)
    z = np.empty(x.size + 1)
    z[0] = start
    for i in range(x.size):
        z[i + 1] = weight * x[i] + (1.0 - weight) * z[i]
    return z


def ewma_limits(target: float, sd: float, weight: float, width: float, correlation: float = 0.0) -> tuple[float, float]:
    """(lower, upper) limit of an EWMA in its steady state: target ± width·sd·√(weight / (2 − weight)).

    NIST/SEMATECH e-Handbook 6.3.2.4; for AR(1) readings the variance grows by (1 + φ(1 − w)) / (1 − φ(1 − w)).
    """
    reach = width * sd * float(np.sqrt(_steady(weight, correlation)))
    return target - reach, target + reach


def cusum(values: ArrayLike, target: float, slack: float) -> tuple[Floats, Floats]:
    """Two-sided tabular cumulative sums (upper, lower) of values `[n]`, `[n]` each.

    NIST/SEMATECH e-Handbook 6.3.2.3; Page 1954.
    """
    away = np.asarray(values, dtype=np.float64) - target
    upper, lower = np.zeros(away.size), np.zeros(away.size)
    high = low = 0.0
    for i, x in enumerate(away):
        high, low = max(0.0, high + x - slack), max(0.0, low - x - slack)
        upper[i], lower[i] = high, low
    return upper, lower


def _steady(weight: float, correlation: float) -> float:
    left = correlation * (1.0 - weight)
    return weight / (2.0 - weight) * (1.0 + left) / (1.0 - left)
