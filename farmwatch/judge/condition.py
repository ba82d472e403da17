"""Condition of a machine from its series of ranges: it changes on evidence, not on one reading near a limit."""

from __future__ import annotations

from dataclasses import dataclass, replace

from farmwatch.judge.assessment import Condition
from farmwatch.mesh import Floats
from farmwatch.model import Limits

__all__ = ["ConditionFinding", "find_condition"]

HOUR = 3600.0
# One reading is evidence enough when it stands beyond a limit by more than both.
STRONG_SD = 4.0
STRONG_MM = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class ConditionFinding:
    """Where a machine is; `since` is the epoch second of the first reading that said so, None for `unknown`."""

    condition: Condition
    confirmed: bool = False
    """Two probings an hour or more apart said so in a row, or one by more than 4 sd and 0.05 mm."""
    since: float | None = None
    from_the_first: bool = False
    """It was so at the first reading: since when is not known."""
    newest_agrees: bool = True
    """Whether the newest reading lies on the same side of the usable limit as the condition."""
    newest_agrees_on_ideal: bool = True
    """The same of the ideal limit."""


@dataclass(frozen=True, slots=True)
class _Side:
    """On which side of one limit a machine is."""

    above: bool
    confirmed: bool
    since: float


def find_condition(taken_at: Floats, range_mm: Floats, sd_mm: float, limits: Limits) -> ConditionFinding:
    """Condition after the readings taken_at `[n]` (epoch seconds, ascending) with ranges range_mm `[n]`, sd of one.

    The first reading sets it. It changes when two probings at least an hour apart say so in a row, the ones between
    them too, or one does by more than 4 sd and 0.05 mm; each of the two limits is followed for itself.
    """
    if taken_at.size == 0:
        return ConditionFinding(condition="unknown")
    margin = max(STRONG_SD * sd_mm, STRONG_MM)
    ideal = _follow_limit(taken_at, range_mm, limits.ideal_mm, margin)
    usable = _follow_limit(taken_at, range_mm, limits.usable_mm, margin)
    found = ConditionFinding(condition="ideal", confirmed=ideal.confirmed, since=ideal.since)
    if usable.above:
        found = ConditionFinding(condition="past-limit", confirmed=usable.confirmed, since=usable.since)
    elif ideal.above:
        sure, since = usable.confirmed and ideal.confirmed, max(usable.since, ideal.since)
        found = ConditionFinding(condition="usable", confirmed=sure, since=since)
    return replace(
        found,
        from_the_first=found.since == float(taken_at[0]),
        newest_agrees=bool(range_mm[-1] > limits.usable_mm) == usable.above,
        newest_agrees_on_ideal=bool(range_mm[-1] > limits.ideal_mm) == ideal.above,
    )


def _follow_limit(taken_at: Floats, range_mm: Floats, limit_mm: float, margin_mm: float) -> _Side:
    says = (range_mm > limit_mm).tolist()
    strong = (abs(range_mm - limit_mm) > margin_mm).tolist()
    times = taken_at.tolist()
    side = _Side(says[0], strong[0], times[0])
    run_start = times[0]
    for i in range(1, len(times)):
        if says[i] != says[i - 1]:
            run_start = times[i]
        if (says[i] == side.above and side.confirmed) or not (strong[i] or times[i] - run_start >= HOUR):
            continue
        since = side.since if says[i] == side.above else run_start
        side = _Side(says[i], True, since)
    return side
