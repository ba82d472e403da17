"""How right forecasts were, once their day has come. Pure: days and chances in, shares out.

Only what was said decides when a forecast is judged, never what came of it: an early hit does not count before a late
miss could. The interval is judged when its last day is past, the chance when the whole horizon is.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from farmwatch.mesh import Floats

__all__ = ["ForecastScore", "Tenth", "score_forecasts"]

_ROUNDING_DAYS = 1e-6


@dataclass(frozen=True, slots=True)
class Tenth:
    """Of the forecasts whose chance lay in one tenth: mean chance said, share that passed the limit, how many."""

    said: float
    seen: float
    forecasts: int


@dataclass(frozen=True, slots=True, kw_only=True)
class ForecastScore:
    """How right the forecasts were that can be judged by now."""

    kept: int
    """Forecasts said, judged or not."""
    intervals: int
    """Those that named a day and whose 10 to 90 % interval has run out."""
    held: int
    """In how many of these the limit was passed within the interval; 80 % are to be expected."""
    chances: int
    """Those whose horizon is past."""
    passed: int
    """How many of these passed the limit within it."""
    brier: float | None
    """Mean squared distance of the chance from what came (0: always right)."""
    climatology: float | None
    """The same of always saying the share that passed: what a forecast must beat."""
    tenths: tuple[Tenth, ...]
    """By tenths of the chance, the ones that hold none left out."""

    @property
    def held_share(self) -> float | None:
        """Share of the intervals that held, None while none can be judged."""
        return self.held / self.intervals if self.intervals else None

    @property
    def held_error(self) -> float | None:
        """Standard error of that share."""
        if not self.intervals:
            return None
        share = (self.held + 0.5) / (self.intervals + 1.0)
        return float(np.sqrt(share * (1.0 - share) / self.intervals))


def score_forecasts(
    chance: Floats, p10: Floats, p90: Floats, horizon: Floats, passed: Floats, watched: Floats, ended: Floats
) -> ForecastScore:
    """Judge n forecasts, `[n]` each; all but the chance in days since it was said, inf for never or not yet.

    p10 and p90: inf past the horizon. passed: the first reading past the limit. watched: the newest reading. ended:
    when something else happened to the machine, from which on it says nothing.
    """
    passed = np.where(passed <= ended, passed, np.inf)
    told = np.minimum(watched, ended)
    due = np.minimum(p90, horizon)
    # What passed in time has told all; what was disturbed before its time never will.
    judged = np.isfinite(p10) & (watched >= due) & ((passed <= due) | (told >= due))
    hit = (p10 - _ROUNDING_DAYS <= passed) & (passed <= p90 + _ROUNDING_DAYS)
    over = (watched >= horizon) & ((passed <= horizon) | (told >= horizon))
    came = (passed <= horizon)[over].astype(np.float64)
    said = chance[over]
    tenth = np.minimum((said * 10.0).astype(np.intp), 9)
    return ForecastScore(
        kept=chance.size,
        intervals=int(judged.sum()),
        held=int((judged & hit).sum()),
        chances=int(over.sum()),
        passed=int(came.sum()),
        brier=float(np.square(said - came).mean()) if came.size else None,
        climatology=float(came.mean() * (1.0 - came.mean())) if came.size else None,
        tenths=tuple(
            Tenth(float(said[tenth == k].mean()), float(came[tenth == k].mean()), int((tenth == k).sum()))
            for k in range(10)
            if (tenth == k).any()
        ),
    )
