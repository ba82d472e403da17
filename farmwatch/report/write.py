"""The weekly report as files: one assessment at the week's end, one a week before, one page, its numbers, the index."""

from __future__ import annotations

import json
from datetime import datetime
from pathlib import Path
from typing import Any

from farmwatch.assess import assess
from farmwatch.config import Settings
from farmwatch.errors import FarmwatchError, InputError
from farmwatch.files import replacing
from farmwatch.foresight import how_right
from farmwatch.judge import FleetAssessment
from farmwatch.report.edition import INDEX_NAME, SCHEMA, report_csv, report_document
from farmwatch.report.page import link_later, render, render_index
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
    farm = FarmFacts(
        name=settings.farm.name,
        zone=zone,
        week=week,
        bench_hours_a_week=settings.farm.bench_hours_a_week,
        pages_url=settings.pages.url or "",
    )
    book = TicketRepository(store)
    facts = find_ticket_facts(book.tickets(), book.events(), now, start)
    view = weekly_view(now, before, farm, facts, how_right(store, end))
    target = settings.farm.reports / report_name(week)
    # The page is what is waited for: it stands last, when all that it names is there.
    _put(target.with_suffix(".csv"), report_csv(view).encode("utf-8"))
    numbers = json.dumps(report_document(view), ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    _put(target.with_suffix(".json"), numbers.encode("utf-8", "replace"))
    documents = _documents(target.parent)
    _put(target.with_name(INDEX_NAME), render_index(view.farm, documents).encode("utf-8", "replace"))
    weeks = sorted(str(document["week"]) for document in documents)
    earlier = max((other for other in weeks if other < str(week)), default="")
    later = min((other for other in weeks if other > str(week)), default="")
    page = render(view, earlier)
    _put(target, (link_later(page, later) if later else page).encode("utf-8"))
    if earlier:
        _link_from(target.with_name(report_name(Week.read(earlier))), str(week))
    return view, target


def _link_from(page: Path, later: str) -> None:
    """Let the edition before name the one that came after; where it cannot be read or written it stays as it was."""
    try:
        text = page.read_text(encoding="utf-8")
    except (OSError, ValueError):
        return
    linked = link_later(text, later)
    if linked != text:
        _put(page, linked.encode("utf-8"))


def _documents(folder: Path) -> list[dict[str, Any]]:
    """The weeks that lie in the folder; a file that is none of ours is left out."""
    found = []
    for path in sorted(folder.glob("farmwatch-*.json")):
        try:
            document = json.loads(path.read_text(encoding="utf-8"))
            Week.read(document["week"])
        except (OSError, ValueError, KeyError, TypeError, InputError):
            continue
        if document.get("schema") == SCHEMA and path.stem == f"farmwatch-{document['week']}":
            found.append(document)
    return found


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
