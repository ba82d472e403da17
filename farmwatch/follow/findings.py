"""What a machine's history tells: steps, drift, forecast, and all of it together. Values only; times are aware UTC."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from farmwatch.follow.trend import Trend
from farmwatch.mesh import Floats

__all__ = [
    "Bands", "ChartState", "Drift", "Forecast", "HistoryFindings", "Noise", "PlateForm", "Reversal", "Step",
    "StepName", "Trace",
]  # fmt: skip

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


@dataclass(frozen=True, slots=True, kw_only=True)
class Noise:
    """How far readings of an unmoved machine scatter."""

    point_sigma_mm: float
    """Standard deviation of one probed point."""
    point_sigma_from: str
    """`own` (its own successive readings), `pooled` (the farm's figure for its model) or `guess` (0.01 mm)."""
    screw_covariance: Floats
    """Covariance `[m, m]`, mm², of the movable screws' heights (relative to the reference) from reading to reading."""
    correlation: float
    """Lag-1 correlation of successive readings, bias-corrected, 0 to 0.7."""
    readings: int
    """How many readings it was learned from."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bands:
    """Bed temperatures that belong together; clusters split at gaps over 10 °C."""

    of_reading: NDArray[np.intp]
    """Band of each reading `[n]`, counted from the coldest; readings without a temperature share the last one."""
    celsius: tuple[float, ...]
    """Mean temperature of each band; NaN for the one without."""
    offsets_mm: Floats
    """Height `[bands, m]` of each band against the latest reading's, in the running segment; NaN: not seen there."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartState:
    """The EWMA chart at the newest reading: the early word "moved"."""

    moved: bool
    screw: str | None
    """The screw furthest past its limits, None where none is past."""
    since: datetime | None
    """The first reading of the present run outside the limits."""
    value_mm: dict[str, float]
    """Smoothed height of each movable screw against the segment's start."""
    limit_mm: dict[str, float]


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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Trace:
    """Every reading up to the time asked for, in time order; arrays `[n]`, u `[n, m]` (movable screws, mm)."""

    at: Floats
    """UTC epoch seconds."""
    range_mm: Floats
    u: Floats
    used: NDArray[np.bool_]
    segment: NDArray[np.intp]
    """Number of the segment it belongs to, -1 where it was not used."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HistoryFindings:
    """One machine's history at one time."""

    machine: str
    at: datetime
    screws: tuple[str, ...]
    """Movable screws, in the model's order; columns of every `u`."""
    trace: Trace
    steps: tuple[Step, ...] = ()
    suspected_step: Step | None = None
    drift: Drift | None = None
    why_no_drift: str = ""
    trends: dict[str, Trend] = field(default_factory=dict)
    """Per movable screw in the running segment; mm and days since the first reading."""
    forecast: Forecast | None = None
    why_no_forecast: str = ""
    noise: Noise | None = None
    bands: Bands | None = None
    chart: ChartState | None = None
    forms: tuple[PlateForm, ...] = ()
    """One per plate and orientation, latest last."""
    reversal: Reversal | None = None
    why_no_reversal: str = ""
