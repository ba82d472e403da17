"""Forecast: the day on which the range of the noiseless mesh passes the limit, and how sure that is."""

from __future__ import annotations

import math
from datetime import UTC, datetime

import numpy as np
from numpy.typing import ArrayLike

from farmwatch.follow.findings import HORIZON_DAYS, QUANTILES, Crossings, Forecast
from farmwatch.follow.lines import fit_lines
from farmwatch.follow.paths import draw_paths, path_crossings
from farmwatch.mesh import Floats

__all__ = [
    "DRAWS", "LEAST_DAYS", "LEAST_READINGS", "STEP_SECONDS", "crossings_of", "forecast", "of_crossings", "origin_of",
]  # fmt: skip

LEAST_READINGS = 6
LEAST_DAYS = 14.0
DRAWS = 500
STEP_SECONDS = 28 * 86400.0
_ANY = datetime(2000, 1, 1, tzinfo=UTC)


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
    return crossings_of(days, _ANY).forecast(_ANY)


def crossings_of(days: Floats, origin: datetime) -> Crossings:
    """What the draws' days `[draws]` from `origin` (aware) say, inf where one never crosses."""
    ordered = np.sort(days)
    # An order statistic itself: between a day and never there is nothing to interpolate.
    values = ordered[[round(share * (ordered.size - 1)) for share in QUANTILES]].tolist()
    within = int(np.searchsorted(ordered, HORIZON_DAYS, side="right"))
    return Crossings(
        origin=origin,
        quantiles=tuple(value if math.isfinite(value) else None for value in values),
        draws=ordered.size,
        within=within,
        late=tuple(ordered[within : int(np.searchsorted(ordered, np.inf))].tolist()),
    )


def origin_of(newest: float, at: float) -> float:
    """The moment (epoch seconds) as of which paths are drawn: the newest reading's, or whole 28 days after it.

    Not the time asked for: so that what is drawn is the same until something new is read.
    """
    return newest + STEP_SECONDS * max(math.floor((at - newest) / STEP_SECONDS), 0)
