"""The weekly report as a file: one assessment at the week's end, one a week before, one page."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

from farmwatch.assess import assess
from farmwatch.config import Settings
from farmwatch.errors import FarmwatchError, InputError
from farmwatch.files import replacing
from farmwatch.judge import FleetAssessment
from farmwatch.report.page import render
from farmwatch.report.ticket_facts import find_ticket_facts
from farmwatch.report.view import FarmFacts, WeeklyView, weekly_view
from farmwatch.report.week import Week, week_just_ended
from farmwatch.store import Store
from farmwatch.text import clock
from farmwatch.tickets import TicketRepository

__all__ = ["report_name", "write_report", "write_week"]


def write_report(settings: Settings, store: Store, at: datetime, week: Week | None = None) -> Path:
    """Write the report of a week and say where it lies.

    Unless one is named it is the week just ended at `at`; where nothing was read by its end but something since, the
    running one: a farm's first report is of what it has.

    The figures are those of the week's end, or of `at` (aware) while the week still runs: the same data gives the
    same bytes whenever and wherever it is written. The file takes the place of an older one in one move. Raises
    InputError for a week that has not begun, FarmwatchError where the file cannot be written.
    """
    return write_week(settings, store, at, week)[1]


def write_week(settings: Settings, store: Store, at: datetime, week: Week | None = None) -> tuple[WeeklyView, Path]:
    """`write_report`, which also hands out what the page says."""
    zone = settings.farm.timezone
    named, week = week, week_just_ended(at, zone) if week is None else week
    start, end = week.start(zone), min(week.end(zone), at)
    if end <= start:
        raise InputError(f"week {week} has not begun: it starts on {clock(start, zone)}, farm time")
    now = assess(settings, store, end)
    if named is None and end < at and not _has_read(now):
        since = assess(settings, store, at)
        if _has_read(since):
            week, start, now = week.next(), end, since
    # Of the week before only ranges and conditions are told.
    before = assess(settings, store, start, following=False)
    farm = FarmFacts(name=settings.farm.name, zone=zone, week=week)
    book = TicketRepository(store)
    view = weekly_view(now, before, farm, find_ticket_facts(book.tickets(), book.events(), now, start))
    target = settings.farm.reports / report_name(week)
    _put(target, render(view).encode("utf-8"))
    return view, target


def report_name(week: Week) -> str:
    """The file's name: farmwatch-2026-W47.html."""
    return f"farmwatch-{week}.html"


def _has_read(fleet: FleetAssessment) -> bool:
    return any(machine.reading is not None for machine in fleet.machines)


def _put(target: Path, body: bytes) -> None:
    """Whole or not at all: a reader never sees half a report, a crash leaves the older one."""
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        with replacing(target) as beside:
            beside.write_bytes(body)
    except OSError as error:
        raise FarmwatchError(
            f"the report cannot be written to {target}: {error.strerror or error}; "
            "make its folder writable, or name another one at farm.reports"
        ) from error
