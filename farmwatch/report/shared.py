"""What pages and company take from the report, so that all speak one language: drawings, marks, style, groups, sums.

A public module of the package, since its door has room for what other commands need and no more.
"""

from __future__ import annotations

from importlib.resources import files

from markupsafe import Markup

from farmwatch.report.contour import contour_sheet
from farmwatch.report.edition import condition_bar
from farmwatch.report.groups import Groups, sort_machines
from farmwatch.report.history import history_line
from farmwatch.report.labour import find_labour
from farmwatch.report.page import content_policy, style_sheet, tidy
from farmwatch.report.slips import SHEET_CAUTIONS
from farmwatch.report.strips import quarter_columns
from farmwatch.report.summary import hours
from farmwatch.report.sums import Sums, Work, added, sums_of
from farmwatch.report.svg import Drawing, number, path, whole
from farmwatch.report.ticket_facts import PHASE_WORDS, find_ticket_facts, ticket_refs
from farmwatch.report.tracks import due_bars
from farmwatch.report.work_sheets import WorkSheet, range_history, work_sheet

__all__ = [
    "PHASE_WORDS", "SHEET_CAUTIONS", "Drawing", "Groups", "Sums", "Work", "WorkSheet", "added",
    "condition_bar", "content_policy",
    "contour_sheet", "due_bars", "find_labour", "find_ticket_facts", "history_line", "hours", "marks",
    "number", "path", "quarter_columns",
    "range_history", "sort_machines", "style_sheet", "sums_of", "ticket_refs", "tidy", "whole", "work_sheet",
]  # fmt: skip


def marks() -> Markup:
    """The shapes of the conditions, once a page; `#m-past-limit` and the like are used from it."""
    return Markup(files("farmwatch.report").joinpath("template", "marks.html.j2").read_text(encoding="utf-8"))
