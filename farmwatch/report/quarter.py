"""The last thirteen weeks in counts: beds by condition at each week's end, repairs and jumps within it. Pure."""

from __future__ import annotations

from bisect import bisect_right
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo

from farmwatch.judge import Assessment, FleetAssessment
from farmwatch.judge.assessment import Condition
from farmwatch.model import Limits
from farmwatch.report.week import Week
from farmwatch.tickets import TicketEvent

__all__ = ["WeekCounts", "count_weeks"]

WEEKS = 13
_JUMPS = ("tooth-jump", "shift")


@dataclass(frozen=True, slots=True, kw_only=True)
class WeekCounts:
    """The machines in service at one week's end, and what happened in the week."""

    name: str
    conditions: dict[Condition, int]
    repairs: int
    jumps: int


def count_weeks(fleet: FleetAssessment, events: Sequence[TicketEvent], zone: tzinfo) -> tuple[WeekCounts, ...]:
    """Thirteen weeks, the newest last: that one as the report counts it, the earlier ones by the last judged mesh.

    Counted are the machines in service at `fleet.at`. A repair is work that a ticket says is done, or where there are
    no tickets one that shows in the meshes.
    """
    working = [m for m in fleet.machines if m.in_service]
    judged = [_judged(m) for m in working]
    done = [event.at for event in events if event.action == "done"]
    if not events:
        done = [step.at for m in working for step in m.steps if step.name == "repair"]
    jumps = [step.at for m in working for step in m.steps if step.name in _JUMPS]
    weeks: list[WeekCounts] = []
    # Weeks end at midnight of the farm's clock: summer time makes one of them an hour longer.
    week, end = Week.holding((fleet.at - timedelta(seconds=1)).astimezone(zone).date()), fleet.at
    while len(weeks) < WEEKS:
        start = week.start(zone)
        found: Counter[Condition] = Counter(
            _condition_at(end, line, fleet.limits) if weeks else m.condition
            for m, line in zip(working, judged, strict=True)
        )
        weeks.append(
            WeekCounts(
                name=f"W{week.number:02d}",
                conditions=dict(found),
                repairs=sum(start < at <= end for at in done),
                jumps=sum(start < at <= end for at in jumps),
            )
        )
        week, end = week.previous(), start
    return tuple(reversed(weeks))


def _judged(machine: Assessment) -> tuple[list[float], list[float]]:
    """Times and ranges of the judged meshes on record."""
    trace = machine.trace
    if trace is None:
        return [], []
    kept = [(at, r) for at, r, judged in zip(trace.at, trace.range_mm, trace.judged, strict=True) if judged]
    return [at for at, _ in kept], [r for _, r in kept]


def _condition_at(end: datetime, line: tuple[list[float], list[float]], limits: Limits) -> Condition:
    times, ranges = line
    i = bisect_right(times, end.timestamp())
    if i == 0:
        return "unknown"
    if ranges[i - 1] > limits.usable_mm:
        return "past-limit"
    return "usable" if ranges[i - 1] > limits.ideal_mm else "ideal"
