"""What following a machine can find: steps, drift, forecast. Values only; times are aware UTC datetimes."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Literal

__all__ = ["Drift", "Forecast", "Step", "StepName"]

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
