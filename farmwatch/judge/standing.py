"""How long what was said of a machine stays true while nothing new comes in: ages, spans and forecasts go on.

Every way in which judging depends on the time asked for has its edges here; between them only the days of the forecast
change, and these follow from its crossings.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from datetime import datetime

from farmwatch.follow.findings import Crossings
from farmwatch.history import OutOfService
from farmwatch.judge.assessment import Assessment
from farmwatch.judge.cause import PLAN_AHEAD_DAYS
from farmwatch.judge.drive import JUMPED_AGAIN_WITHIN
from farmwatch.model import Limits

__all__ = ["standing"]

_DAY = 86400.0
_CROSSINGS_STAND_DAYS = 28.0
_ROUNDING_SECONDS = 0.001


def standing(
    said: Assessment, crossings: Crossings | None, out: Sequence[OutOfService], limits: Limits, at: datetime
) -> tuple[float, float]:
    """Epoch seconds between which the same would be said as at `at`, from the same record; both ends excluded.

    On an edge itself it stands at no other time: which side it belongs to is a matter of rounding.
    """
    now, since, until = at.timestamp(), -math.inf, math.inf
    for edge in _edges(said, crossings, out, limits, now):
        if abs(edge - now) < _ROUNDING_SECONDS:
            return now, now
        if edge < now:
            since = max(since, edge)
        else:
            until = min(until, edge)
    return since, until


def _edges(
    said: Assessment, crossings: Crossings | None, out: Sequence[OutOfService], limits: Limits, now: float
) -> Iterator[float]:
    for span in out:
        yield span.since.timestamp()
        if span.until is not None:
            yield span.until.timestamp()
    for reading in (said.reading, said.judged_reading):
        if reading is not None:
            yield from _ages(reading.taken_at.timestamp(), limits.mesh_old_after_days, now)
    for step in said.steps:
        # That a screw jumped again is said for so long.
        yield (step.at + JUMPED_AGAIN_WITHIN).timestamp()
    if crossings is not None:
        origin, half = crossings.origin.timestamp(), crossings.quantiles[2]
        yield origin
        yield origin + _CROSSINGS_STAND_DAYS * _DAY
        if half is not None:
            yield from _days_ahead(origin + half * _DAY, now)


def _ages(taken: float, old_days: float, now: float) -> Iterator[float]:
    """A mesh gets old, and then its age is said in whole days."""
    yield taken + old_days * _DAY
    age = (now - taken) / _DAY
    if age > old_days:
        whole = math.floor(age - 0.5)
        yield taken + (whole + 0.5) * _DAY
        yield taken + (whole + 1.5) * _DAY


def _days_ahead(passes: float, now: float) -> Iterator[float]:
    """Work is planned when half of the draws pass soon, and then the days are said as whole ones."""
    yield passes - PLAN_AHEAD_DAYS * _DAY
    ahead = (passes - now) / _DAY
    if ahead <= PLAN_AHEAD_DAYS:
        whole = math.floor(ahead - 0.5)
        yield passes - (whole + 1.5) * _DAY
        if whole >= 0:
            yield passes - (whole + 0.5) * _DAY
