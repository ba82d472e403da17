"""Forecast: the day on which the range of the noiseless mesh passes the limit, and how sure that is."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from farmwatch.follow.findings import Forecast
from farmwatch.follow.lines import fit_lines
from farmwatch.follow.paths import draw_paths, path_crossings
from farmwatch.mesh import Floats

__all__ = ["DRAWS", "HORIZON_DAYS", "LEAST_DAYS", "LEAST_READINGS", "forecast", "of_crossings"]

HORIZON_DAYS = 182
LEAST_READINGS = 6
LEAST_DAYS = 14.0
DRAWS = 500


def forecast(
    days: ArrayLike,
    u: ArrayLike,
    form: ArrayLike,
    influence: ArrayLike,
    limit_mm: float,
    at_day: float,
    rng: np.random.Generator,
    correlation: float = 0.0,
) -> Forecast | None:
    """When the range passes `limit_mm`, from heights u `[n, m]` (mm) of one unbroken segment over times `[n]` (days).

    form `[points]` and influence `[m, points]` (mm per mm) make the mesh of the movable screws' heights. Days count
    from `at_day`. None from fewer than 6 readings or 14 days. Raises ValueError where the shapes do not fit.
    """
    t, heights = np.asarray(days, dtype=np.float64), np.asarray(u, dtype=np.float64)
    shape, shares = np.asarray(form, dtype=np.float64), np.asarray(influence, dtype=np.float64)
    if heights.ndim != 2 or heights.shape != (t.size, len(shares)) or shares.shape[1:] != shape.shape:
        raise ValueError(f"times {t.shape}, heights {heights.shape}, form {shape.shape}, influence {shares.shape}")
    if t.size < LEAST_READINGS or np.ptp(t) < LEAST_DAYS:
        return None
    fit = fit_lines(np.zeros(t.size, dtype=np.intp), 1, t, np.zeros((t.size, 0)), heights)
    freedom = float(t.size - fit.rank[0])
    noise = fit.residuals.T @ fit.residuals / freedom * (1.0 + correlation) / (1.0 - correlation)
    path = draw_paths(t - at_day, heights, noise, freedom, rng, DRAWS)
    return of_crossings(path_crossings(path, shape, shares, limit_mm))


def of_crossings(days: Floats) -> Forecast:
    """Chance and quantiles over all draws; a draw that never crosses counts as later than the horizon."""
    ordered = np.sort(days)

    def quantile(share: float) -> float | None:
        # An order statistic itself: between a day and never there is nothing to interpolate.
        value = float(ordered[round(share * (ordered.size - 1))])
        return value if np.isfinite(value) else None

    return Forecast(
        chance=float(np.isfinite(days).mean()),
        p10=quantile(0.10),
        p50=quantile(0.50),
        p90=quantile(0.90),
        horizon_days=HORIZON_DAYS,
        p25=quantile(0.25),
        p75=quantile(0.75),
    )
