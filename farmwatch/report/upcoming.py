"""What is coming: machines due in the next weeks, and how many to expect in each. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo
from itertools import pairwise

from farmwatch.follow import Forecast, ForecastScore
from farmwatch.judge import Assessment
from farmwatch.report.history import RangeHistory
from farmwatch.report.week import Week
from farmwatch.text import count, day_of, signed, spaced

__all__ = [
    "DUE_WITHIN_DAYS", "DueMachine", "WeekAhead", "due_machines", "hindsight_sentences", "share_crossed", "weeks_ahead",
]  # fmt: skip

DUE_WITHIN_DAYS = 28
WEEKS_AHEAD = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class DueMachine:
    """A machine that is as likely as not past the usable limit within four weeks."""

    machine: str
    aisle: str
    range_mm: float | None
    day: str
    """The day by which half of the draws have crossed."""
    between: str
    """The days that hold eight draws in ten."""
    chance: float
    """Share of the draws that cross within the horizon."""
    drift: str
    """The screw that drifts most, in words; empty where the drift is not known."""
    history: RangeHistory | None
    forecast: Forecast


@dataclass(frozen=True, slots=True, kw_only=True)
class WeekAhead:
    """One of the next weeks and the number of machines expected to pass the usable limit in it."""

    name: str
    expected: float


def due_machines(
    machines: Sequence[Assessment], at: datetime, zone: tzinfo, *, within_days: float = DUE_WITHIN_DAYS
) -> tuple[DueMachine, ...]:
    """Machines whose median crossing lies within four weeks (or `within_days`), the earliest first."""
    ordered = []
    for machine in machines:
        forecast = machine.forecast
        if forecast is not None and forecast.p50 is not None and forecast.p50 <= within_days:
            ordered.append((forecast.p50, machine.machine, _due(machine, forecast, forecast.p50, at, zone)))
    return tuple(due for _, _, due in sorted(ordered, key=lambda row: row[:2]))


def weeks_ahead(machines: Sequence[Assessment], at: datetime, zone: tzinfo) -> tuple[WeekAhead, ...]:
    """Expected number of machines that pass the limit in each of the next twelve weeks, from all forecasts.

    Empty where no machine has a forecast.
    """
    forecasts = [machine.forecast for machine in machines if machine.forecast is not None]
    if not forecasts:
        return ()
    weeks = []
    for i in range(WEEKS_AHEAD):
        # What is already past the limit on the first day falls due in the first week.
        before = [share_crossed(f, 7.0 * i) if i else 0.0 for f in forecasts]
        after = [share_crossed(f, 7.0 * (i + 1)) for f in forecasts]
        first = (at + timedelta(days=7 * i)).astimezone(zone).date()
        expected = sum(after) - sum(before)
        weeks.append(WeekAhead(name=f"W{Week.holding(first).number:02d}", expected=max(0.0, expected)))
    return tuple(weeks)


def share_crossed(forecast: Forecast, days: float) -> float:
    """Share of the draws that have crossed by a day: a straight line between the quantiles that are known.

    It starts at zero today (at the quantile itself where that is today) and ends at `chance` at the horizon.
    """
    known = [(0.0, 0.0)]
    for quantile, share in ((forecast.p10, 0.1), (forecast.p50, 0.5), (forecast.p90, 0.9)):
        if quantile is not None:
            known.append((max(quantile, 0.0), share))
    known.append((float(forecast.horizon_days), max(forecast.chance, known[-1][1])))
    share = 0.0
    for (start, low), (end, high) in pairwise(known):
        if days >= end:
            share = high
        elif days > start:
            return low + (high - low) * (days - start) / (end - start)
    return share


def _due(machine: Assessment, forecast: Forecast, middle: float, at: datetime, zone: tzinfo) -> DueMachine:
    def when(days: float) -> str:
        return day_of(at + timedelta(days=days), zone, year=False)

    early = when(forecast.p10 if forecast.p10 is not None else 0.0)
    late = f"later than {forecast.horizon_days} days" if forecast.p90 is None else when(forecast.p90)
    history = None
    if machine.trace is not None and machine.trace.at:
        history = RangeHistory(
            machine=machine.machine,
            at=at,
            trace=machine.trace,
            steps=machine.steps,
            suspected=machine.suspected_step,
            forecast=forecast,
            sd_mm=machine.range_sd_mm or 0.01,
        )
    return DueMachine(
        machine=machine.machine,
        aisle=machine.aisle,
        range_mm=machine.condition_range_mm,
        day=when(middle),
        between=f"{early} to {late}",
        chance=forecast.chance,
        drift=_drift(machine),
        history=history,
        forecast=forecast,
    )


def _drift(machine: Assessment) -> str:
    drift = machine.drift
    if drift is None or not drift.mm_per_week:
        return ""
    screw, slope = max(drift.mm_per_week.items(), key=lambda item: abs(item[1]))
    return f"{spaced(screw)} {signed(slope)} mm a week"


def hindsight_sentences(score: ForecastScore) -> tuple[str, ...]:
    """How right earlier forecasts were, in sentences."""
    if not score.intervals:
        said = [f"None of {count(score.kept, 'forecast')} kept so far has run out: too early to say."]
    else:
        share, error = score.held_share or 0.0, score.held_error or 0.0
        of = f"Of {count(score.intervals, 'forecast')} whose interval has run out, {score.held:,} held"
        said = [f"{of}: {100 * share:.0f} ± {100 * error:.0f} % (80 % expected)."]
    if score.brier is not None and score.climatology is not None:
        better = "better" if score.brier < score.climatology else "no better"
        said.append(
            f"Chances within half a year: mean squared error {score.brier:.3f}, {better} than always saying "
            f"the share that passed ({score.climatology:.3f})."
        )
    return tuple(said)
