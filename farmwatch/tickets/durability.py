"""How long repairs last: the product-limit estimate of a survival function under right censoring.

E. L. Kaplan & P. Meier, Nonparametric Estimation from Incomplete Observations, J. Amer. Statist. Assoc. 53 (1958)
457-481, eq. (2b); variance of M. Greenwood, The Natural Duration of Cancer (1926), as Kaplan & Meier give it in
eq. (2f). Pure: arrays in, a named result out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from farmwatch.mesh import Floats

__all__ = ["Survival", "kaplan_meier"]


# The standard normal quantile of 0.975.
_Z_95 = 1.959964


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Survival:
    """Survival at each distinct time of an event: all arrays `[events]`, times in the unit given."""

    time: Floats
    at_risk: Floats
    events: Floats
    survival: Floats
    sd: Floats
    """Greenwood's standard deviation of `survival`."""
    n: int
    """How many were followed, censored ones included."""

    @property
    def median(self) -> float | None:
        """The first time at which no more than half survive; None where more than half outlast what was seen."""
        # The product of exact halves can miss 0.5 by a rounding.
        past = np.flatnonzero(self.survival <= 0.5 + 1e-12)
        return float(self.time[past[0]]) if past.size else None

    def stair(self) -> tuple[tuple[float, float, float, float], ...]:
        """Time, survival from then on, and the ends of its 95 % interval on the log-minus-log scale, a row each.

        J. D. Kalbfleisch & R. L. Prentice, The Statistical Analysis of Failure Time Data (1980), section 1.3: the
        interval stays within 0 and 1. Where none or all survive there is none, and it is 0 to 1.
        """
        s, sd = self.survival, self.sd
        inside = (s > 0) & (s < 1)
        log = np.log(np.where(inside, s, 0.5))
        # d ln(-ln S) = dS / (S ln S)
        reach = _Z_95 * sd / (np.where(inside, s, 0.5) * np.abs(log))
        low, high = np.exp(log * np.exp(reach)), np.exp(log * np.exp(-reach))
        rows = zip(self.time, s, np.where(inside, low, 0.0), np.where(inside, high, 1.0), strict=True)
        return tuple((float(t), float(share), float(a), float(b)) for t, share, a, b in rows)

    def at(self, time: float) -> float:
        """Share that survives beyond `time`."""
        before = np.flatnonzero(self.time <= time)
        return float(self.survival[before[-1]]) if before.size else 1.0


def kaplan_meier(durations: ArrayLike, ended: ArrayLike) -> Survival:
    """Estimate survival from durations `[n]` and whether each ended `[n]` (False: still holding when last seen).

    At equal times events come before censorings, as Kaplan & Meier have it. Raises ValueError for negative or
    non-finite durations and for lengths that differ. Cost n log n.
    """
    times = np.asarray(durations, dtype=np.float64)
    over = np.asarray(ended, dtype=bool)
    if times.ndim != 1 or times.shape != over.shape:
        raise ValueError(f"durations and ended must be lists of one length; got {times.shape} and {over.shape}")
    if times.size and not (np.isfinite(times).all() and times.min() >= 0):
        raise ValueError("durations must be finite and not negative")
    at = np.unique(times[over])
    ordered = np.sort(times)
    at_risk = (times.size - np.searchsorted(ordered, at, side="left")).astype(np.float64)
    ended_there = np.sort(times[over])
    events = (np.searchsorted(ended_there, at, side="right") - np.searchsorted(ended_there, at, side="left")).astype(
        np.float64
    )
    survival = np.cumprod(1.0 - events / at_risk).astype(np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        terms = np.cumsum(events / (at_risk * (at_risk - events)))
        sd = np.where(survival > 0, survival * np.sqrt(terms), 0.0)
    return Survival(time=at, at_risk=at_risk, events=events, survival=survival, sd=sd, n=int(times.size))
