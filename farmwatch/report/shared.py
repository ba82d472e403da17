"""What the pages in the browser take from the report, so that both speak one language: drawings, marks, style, groups.

A public module of the package, since its door has room for what other commands need and no more.
"""

from __future__ import annotations

from importlib.resources import files

from markupsafe import Markup

from farmwatch.report.charts import history_line
from farmwatch.report.contour import contour_sheet
from farmwatch.report.groups import Groups, sort_machines
from farmwatch.report.labour import find_labour
from farmwatch.report.page import style_sheet
from farmwatch.report.svg import Drawing, number, path, whole
from farmwatch.report.ticket_facts import PHASE_WORDS, ticket_refs
from farmwatch.report.work_sheets import SHEET_CAUTIONS, WorkSheet, range_history, work_sheet

__all__ = [
    "PHASE_WORDS", "SHEET_CAUTIONS", "Drawing", "Groups", "WorkSheet", "contour_sheet", "find_labour", "history_line",
    "marks", "number", "path", "range_history", "sort_machines", "style_sheet", "ticket_refs", "whole", "work_sheet",
]  # fmt: skip


def marks() -> Markup:
    """The shapes of the conditions, once a page; `#m-past-limit` and the like are used from it."""
    return Markup(files("farmwatch.report").joinpath("template", "marks.html.j2").read_text(encoding="utf-8"))
