"""What a machine's history tells: steps, drift, forecast, and all of it together. Values only; times are aware UTC."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from farmwatch.mesh import Floats

__all__ = ["Drift", "Forecast", "HistoryFindings", "PlateForm", "Reversal", "Step", "StepName"]

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
    horizon_days: int = 182
    p25: float | None = None
    p75: float | None = None


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
    reversal: Reversal | None = None
