"""When the weekly report and the night's work are due, farm time, and whether they were done already. Pure.

A moment is named by its week or its night and looked up in the last-run record under that name, so that it happens
once: whatever an outage, a sleeping computer or a change of the clocks does to the hours around it. Of several that
were missed only the newest is due.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta

from farmwatch.config import Farm
from farmwatch.report import Week, week_just_ended
from farmwatch.times import BELIEVED_AHEAD

__all__ = ["WeekDue", "is_done", "newest_night", "newest_week", "next_report_at", "night_key", "report_key"]

NIGHT = time(3, 30)
"""Farm time of the night's work. A time that the clocks leave out falls an hour later, one that comes twice counts
the first time."""

WeekDue = tuple[Week, datetime]
"""A week and the moment from which on its report is due."""


def report_moment(farm: Farm, week: Week) -> datetime:
    """When the report of a week is due: the first `report_at` after its end, UTC."""
    at = farm.report_at
    day = week.next().monday + timedelta(days=at.weekday)
    return _moment(farm, day, time(at.hour, at.minute))


def newest_week(farm: Farm, now: datetime) -> WeekDue:
    """The newest week whose report is due at `now`."""
    week = week_just_ended(now, farm.timezone)
    moment = report_moment(farm, week)
    if moment > now:
        week = week.previous()
        moment = report_moment(farm, week)
    return week, moment


def next_report_at(farm: Farm, now: datetime) -> datetime:
    """When the next report is due after `now`."""
    week, _ = newest_week(farm, now)
    return report_moment(farm, week.next())


def newest_night(farm: Farm, now: datetime) -> tuple[date, datetime]:
    """The newest night whose work is due at `now`, by its date, and its moment."""
    day = now.astimezone(farm.timezone).date()
    moment = _moment(farm, day, NIGHT)
    if moment > now:
        day -= timedelta(days=1)
        moment = _moment(farm, day, NIGHT)
    return day, moment


def is_done(run_at: datetime | None, now: datetime) -> bool:
    """Whether a run entered at `run_at` counts at `now`."""
    return run_at is not None and run_at <= now + BELIEVED_AHEAD


def report_key(week: Week) -> str:
    """Name of a week's report in the last-run record and in the outbox."""
    return f"report/{week}"


def night_key(day: date) -> str:
    """Name of a night's work in the last-run record."""
    return f"night/{day.isoformat()}"


def _moment(farm: Farm, day: date, at: time) -> datetime:
    # fold=0: the first of two; a time that does not exist comes out an hour later, once.
    return datetime.combine(day, at, farm.timezone).astimezone(UTC)
