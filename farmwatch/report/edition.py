"""What lies beside the page of a week: its numbers as JSON and CSV, and the index of all weeks. Pure.

The index is made of the documents that lie in the folder, so that it holds for whatever weeks are there.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from typing import Any

from markupsafe import Markup

from farmwatch.report.rows import MachineRow
from farmwatch.report.scale import CONDITIONS
from farmwatch.report.svg import Drawing, number
from farmwatch.report.view import WeeklyView

__all__ = ["INDEX_NAME", "SCHEMA", "condition_bar", "machines_by_week", "report_csv", "report_document"]

SCHEMA = "farmwatch.report/1"
INDEX_NAME = "index.html"
_ORDER = tuple(condition for condition, _ in CONDITIONS)
_COLUMNS = (
    "machine", "aisle", "model", "in_service", "condition", "confirmed", "range_mm", "range_before_mm", "cause",
    "advice", "reading_taken_at", "ticket",
)  # fmt: skip
# More rows than this say nothing at a glance, and the machines that were ever past the limit are the ones to see.
_MOST_ROWS = 200


def report_document(view: WeeklyView) -> dict[str, Any]:
    """The week's numbers as `farmwatch.report/1`."""
    return {
        "schema": SCHEMA,
        "farm": view.farm,
        "week": view.week,
        "at": view.at.strftime("%Y-%m-%dT%H:%M:%SZ"),
        "limits": {"usable_mm": view.limits.usable_mm, "ideal_mm": view.limits.ideal_mm},
        "summary": view.sentence,
        "counts": dict(view.counts),
        "needing_work": view.needing_work,
        "awaiting_check": [slip.machine for slip in view.slips],
        "tickets": {"opened": view.opened, "closed": view.closed},
        "labour": {
            "hours": round(view.labour.hours, 2),
            "bench_hours_a_week": view.bench_hours_a_week,
            "jobs": [
                {"work": row.work, "jobs": row.jobs, "hours": round(row.hours, 2), "timed_here": row.timed}
                for row in view.labour.rows
            ],
            "parts": view.labour.parts,
            "for_two_people": view.labour.for_two,
        },
        "decisions": [
            {
                "machine": one.machine,
                "question": one.question,
                "ticket": one.ticket,
                "range_mm": _mm(one.range_mm),
                "after_mm": _mm(one.after_mm),
                "hours": one.hours,
                "parts": one.parts,
                "overdue_days": one.overdue_days,
                "waits_for": one.waits_for,
            }
            for one in view.decisions
        ],
        "forecasts": None
        if view.hindsight is None
        else {
            "kept": view.hindsight.kept,
            "intervals_run_out": view.hindsight.intervals,
            "held": view.hindsight.held,
            "brier": view.hindsight.brier,
        },
        "quarter": [
            {
                "week": week.name,
                **{
                    condition: week.conditions.get(condition, 0)
                    for condition in ("past-limit", "usable", "ideal", "unknown")
                },
                "repairs": week.repairs,
                "jumps": week.jumps,
            }
            for week in view.quarter
        ],
        "machines": [dict(zip(_COLUMNS, _row(row, view), strict=True)) for row in view.fleet],
    }


def report_csv(view: WeeklyView) -> str:
    """A line a machine, as in the document; text that a spreadsheet would take for a formula is kept from it."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(_COLUMNS)
    for row in view.fleet:
        writer.writerow([_cell(value) for value in _row(row, view)])
    return out.getvalue()


def condition_bar(counts: Mapping[str, int], *, key: str) -> Markup:
    """One week's machines in service by condition, as a bar."""
    known = [(name, counts.get(name, 0)) for name in _ORDER]
    total = sum(many for _, many in known) or 1
    said = ", ".join(f"{many} {name.replace('-', ' ')}" for name, many in known if many)
    drawing = Drawing(key, 160, 14, title=said or "no machine", kind="bar-of")
    x = 0.0
    for name, many in known:
        wide = 160.0 * many / total
        if many:
            drawing.add("rect", cls=f"q-{name}", x=x, y=1.0, width=wide, height=12.0)
        x += wide
    return drawing.done()


def machines_by_week(documents: Sequence[Mapping[str, Any]]) -> Markup:
    """Machines down, the last 52 weeks across (`documents`, the oldest first): dark where past the limit.

    Of more than 200 machines those are shown that were past the limit most often.
    """
    weeks = list(documents)[-52:]
    seen: dict[str, dict[int, str]] = {}
    for column, document in enumerate(weeks):
        for machine in document["machines"]:
            if machine["in_service"]:
                seen.setdefault(str(machine["machine"]), {})[column] = str(machine["condition"])
    often = {name: sum(condition == "past-limit" for condition in mine.values()) for name, mine in seen.items()}
    names = sorted(seen)
    if len(names) > _MOST_ROWS:
        names = sorted(sorted(names, key=lambda name: -often[name])[:_MOST_ROWS])
    left, cell = 130.0, 11.0
    title = f"{len(names)} machines in {len(weeks)} weeks by condition"
    drawing = Drawing("year", left + cell * 52, 16 + cell * len(names), title=title, kind="year")
    for column, document in enumerate(weeks):
        if column % 4 == 0:
            drawing.text(str(document["week"])[5:], left + cell * column, 11, cls="tick")
    cells: dict[str, list[str]] = {condition: [] for condition in _ORDER}
    for row, name in enumerate(names):
        y = 16 + cell * row
        label = name if len(name) <= 20 else name[:19] + "…"
        drawing.text(label, left - 6, y + 9, cls="tick", text_anchor="end")
        for column, condition in sorted(seen[name].items()):
            if condition in cells:
                cells[condition].append(f"M{number(left + cell * column)} {number(y + 1)}h9v9h-9z")
    for condition, squares in cells.items():
        if squares:
            drawing.add("path", cls=f"q-{condition}", d="".join(squares))
    return drawing.done()


def _row(row: MachineRow, view: WeeklyView) -> tuple[Any, ...]:
    machine = row.of
    return (
        machine.machine,
        machine.aisle,
        machine.model.name,
        machine.in_service,
        machine.condition,
        machine.confirmed,
        _mm(machine.condition_range_mm),
        _mm(view.ranges_before.get(machine.machine)),
        machine.cause,
        ";".join(machine.advice),
        None if machine.reading is None else machine.reading.taken_at.strftime("%Y-%m-%dT%H:%M:%SZ"),
        None if row.ticket is None else row.ticket.number,
    )


def _mm(value: float | None) -> float | None:
    """To a thousandth, as every other document has it."""
    return None if value is None else round(value, 3) + 0.0


def _cell(value: Any) -> Any:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.3f}"
    if isinstance(value, str) and value[:1] in ("=", "+", "-", "@"):
        return "'" + value
    return value
