"""Forecast: the day on which the range of the noiseless mesh passes the limit, and how sure that is."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from farmwatch.follow.findings import Forecast
from farmwatch.follow.lines import fit_lines
from farmwatch.mesh import Floats

__all__ = [
    "DRAWS", "HORIZON_DAYS", "LEAST_DAYS", "LEAST_READINGS", "draw_lines", "first_crossing", "forecast", "of_crossings",
]  # fmt: skip

HORIZON_DAYS = 182
LEAST_READINGS = 6
LEAST_DAYS = 14.0
DRAWS = 500
# Calibrated on the machines of the benchmark of quality: with noise and correlation learned from dozens of readings
# the draws come out wide by some hundredths. With this the 10 to 90 % interval holds the true day in 76 to 84 %, both
# exactly and within one day of its ends.
_SPREAD = 0.97
# Newton on a convex broken line needs as many turns as it has corners on the way, and they are few.
_MOST_TURNS = 60


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
    level, slope = draw_lines(
        fit.coefficients[0], fit.cofactor[0], noise, freedom, at_day - float(fit.middle[0]), rng, DRAWS
    )
    return of_crossings(first_crossing(level, slope, shape, shares, limit_mm, HORIZON_DAYS))


def draw_lines(
    coefficients: Floats,
    cofactor: Floats,
    noise: Floats,
    freedom: float,
    ahead: float,
    rng: np.random.Generator,
    draws: int,
) -> tuple[Floats, Floats]:
    """Draw (level, slope), `[draws, m]` each, `ahead` days after the middle of a fitted line, from what it leaves open.

    coefficients `[2 + q, m]`, cofactor `[2 + q, 2 + q]` (level, slope, bands), noise `[m, m]`: multivariate t with
    `freedom` degrees, the posterior of a straight line without prior knowledge (Gelman et al., Bayesian Data
    Analysis, 3rd ed. 2013, 14.2), drawn together by 3 % (calibration, see above).
    """
    m = coefficients.shape[1]
    pick = np.zeros((2, len(cofactor)))
    pick[0, 0], pick[0, 1], pick[1, 1] = 1.0, ahead, 1.0
    joint = pick @ cofactor @ pick.T
    z = rng.standard_normal((draws, 2, m))
    stretch = np.sqrt(freedom / rng.chisquare(freedom, draws))
    drawn = _SPREAD * (_root(joint) @ (z * stretch[:, None, None]) @ _root(noise).T) + pick @ coefficients
    return drawn[:, 0], drawn[:, 1]


def first_crossing(
    level: Floats, slope: Floats, form: Floats, influence: Floats, limit_mm: float, horizon_days: float
) -> Floats:
    """Days `[draws]` until the range of form + influence·(level + slope·t) first passes the limit; inf: not in time.

    level, slope `[draws, m]`; form `[points]`; influence `[m, points]`. The range of a mesh that moves along a line is
    convex and piecewise linear in time: under the limit now, it crosses once, and Newton's tangents from the horizon
    meet the crossing exactly, from the right.
    """
    now, rate = level @ influence + form, slope @ influence
    day = np.where(np.ptp(now, axis=1) > limit_mm, 0.0, float(horizon_days))
    open_ = np.flatnonzero(day > 0)
    for turn in range(_MOST_TURNS):
        mesh = now[open_] + day[open_, None] * rate[open_]
        rows = np.arange(open_.size)
        high, low = mesh.argmax(axis=1), mesh.argmin(axis=1)
        over = mesh[rows, high] - mesh[rows, low] - limit_mm
        if turn == 0:
            day[open_[over <= 0]] = np.inf
            open_, over, high, low = open_[over > 0], over[over > 0], high[over > 0], low[over > 0]
        going = over > 1e-9
        open_, over = open_[going], over[going]
        if not open_.size:
            break
        climb = rate[open_, high[going]] - rate[open_, low[going]]
        day[open_] = np.maximum(day[open_] - over / np.maximum(climb, 1e-300), 0.0)
    return day


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
    )


def _root(covariance: Floats) -> Floats:
    """A square root of a covariance that may be singular."""
    size, axes = np.linalg.eigh(covariance)
    root: Floats = axes * np.sqrt(np.maximum(size, 0.0))
    return root
