"""What a machine's history tells: steps, drift, forecast, and all of it together. Values only; times are aware UTC."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Literal

from farmwatch.mesh import Floats

__all__ = [
    "HORIZON_DAYS", "QUANTILES", "Crossings", "Drift", "Forecast", "HistoryFindings", "PlateForm", "Reversal", "Step",
    "StepName",
]  # fmt: skip

HORIZON_DAYS = 182
QUANTILES = (0.10, 0.25, 0.50, 0.75, 0.90)

StepName = Literal["tooth-jump", "repair", "plate-change", "shift"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """A sudden change between two readings; `at` is the first reading after it."""

    at: datetime
    name: StepName
    screw: str | None
    """The screw that moved (a tooth jump, or a shift at one screw); None where several did."""
    mm: float
    """Change of height at that screw, relative to the reference screw; of the largest where several moved."""
    teeth: int | None
    """Whole teeth of a tooth jump, positive where the bed rose at that screw; None otherwise."""
    sd_mm: float | None = None
    """Standard deviation of `mm`; not part of the assessment document."""
    also: tuple[tuple[str, int | None], ...] = ()
    """Other readings of the same change that the meshes cannot tell apart: (screw, teeth), each in place of `screw`."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Drift:
    """The slow change in the segment that is still running."""

    since: datetime
    readings: int
    mm_per_week: dict[str, float]
    """Per movable screw, relative to the reference (Theil-Sen)."""
    significant: bool
    interval: dict[str, tuple[float, float]] | None = None
    """95 % interval of each slope, mm per week; not part of the assessment document."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Forecast:
    """When the range passes the usable limit, over all draws; a quantile is None where it is later than the horizon."""

    chance: float
    p10: float | None
    p50: float | None
    p90: float | None
    horizon_days: int = HORIZON_DAYS
    p25: float | None = None
    p75: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Crossings:
    """When the range passes its limit, as of one moment: what stays the same until something new is read.

    Days are counted from `origin`; None is later than the last day that was looked at.
    """

    origin: datetime
    quantiles: tuple[float | None, ...]
    """Days at the shares of `QUANTILES`."""
    draws: int
    within: int
    """Draws that pass within the horizon."""
    late: tuple[float, ...]
    """Days of those that pass after it, ascending."""

    def forecast(self, at: datetime) -> Forecast:
        """As of `at` (aware, from `origin` to 28 days after it): what has passed meanwhile passes today."""
        gone = (at - self.origin) / timedelta(days=1)

        def left(days: float | None) -> float | None:
            return None if days is None or days - gone > HORIZON_DAYS else max(days - gone, 0.0)

        p10, p25, p50, p75, p90 = map(left, self.quantiles)
        chance = (self.within + sum(days - gone <= HORIZON_DAYS for days in self.late)) / self.draws
        return Forecast(chance=chance, p10=p10, p25=p25, p50=p50, p75=p75, p90=p90, horizon_days=HORIZON_DAYS)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlateForm:
    """Mean form of one plate in one orientation on the common grid (x `[c]`, y `[r]`, mean and sd `[r, c]`)."""

    plate: str | None
    turned: bool
    """Whether the plate then lay turned by half a turn."""
    x: Floats
    y: Floats
    mean: Floats
    sd: float
    """Standard deviation of one point of the mean."""
    readings: int
    since: datetime
    until: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Reversal:
    """What turning the plate by half a turn tells apart; peak to valley, mm.

    A half turn leaves everything alike that is even under it (a bowl, a saddle, a twist): `undecided_mm`.
    """

    plate: str | None
    plate_mm: float
    frame_mm: float
    undecided_mm: float
    sd_mm: float
    verdict: str
    """`plate`, `frame`, `both`, `neither` or `unclear`."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HistoryFindings:
    """What one machine's history tells at one time; None where it cannot be known."""

    steps: tuple[Step, ...] = ()
    """In time order."""
    suspected_step: Step | None = None
    """One that the newest readings suggest; the next mesh decides."""
    drift: Drift | None = None
    forecast: Forecast | None = None
    crossings: Crossings | None = None
    """What the forecast is made from."""
    reversal: Reversal | None = None
