"""View -> one self-contained page: markup, style and drawings in it, nothing from outside, no script."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Mapping, Sequence
from functools import cache
from importlib.resources import files
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from farmwatch.judge import CAUTIONS, CAUTIONS_FOOT
from farmwatch.judge.words import advice_phrase, cause_phrase, shim_sentences
from farmwatch.report.beds import from_reference, without
from farmwatch.report.cells import machine_cell
from farmwatch.report.codes import square_code
from farmwatch.report.contour import contour_sheet
from farmwatch.report.edition import condition_bar, machines_by_week
from farmwatch.report.history import excursion_words, history_line
from farmwatch.report.profile import bed_profile
from farmwatch.report.slips import SHEET_CAUTIONS
from farmwatch.report.strips import quarter_columns, range_strip
from farmwatch.report.summary import hours
from farmwatch.report.svg import whole
from farmwatch.report.tracks import due_axis, due_bars, due_track, range_axis, range_track, repair_stair
from farmwatch.report.upcoming import DUE_WITHIN_DAYS, WeekAhead, hindsight_sentences
from farmwatch.report.view import MOST_DECISIONS, WeeklyView
from farmwatch.report.work_sheets import WorkSheet, range_history
from farmwatch.text import ago, count, day_of, joined, mm, percent, sanitize, shortened, signed, spaced

__all__ = ["content_policy", "link_later", "render", "render_index", "style_sheet", "tidy"]

DUE_DRAWN = 2
"""Machines due soon whose history is drawn; the rest stand in a table."""
NO_LATER = '<span class="soft">newest week</span>'
"""What stands in an edition until there is a later one."""


def render(view: WeeklyView, earlier: str = "") -> str:
    """The report as HTML; the same view gives the same text. earlier: the week of the edition before, if one lies
    beside this one."""
    template = _environment().get_template("report.html.j2")
    page = template.render(
        view=view, earlier=earlier, later=Markup(NO_LATER), style=Markup(style_sheet()), policy=content_policy(),
        cautions=CAUTIONS, foot=CAUTIONS_FOOT,
    )  # fmt: skip
    return tidy(page) + "\n"


def link_later(page: str, later: str) -> str:
    """A page that was the newest, with a link to the edition of the week `later`."""
    return page.replace(NO_LATER, f'<a href="farmwatch-{later}.html">{later} →</a>', 1)


def render_index(farm: str, documents: Sequence[Mapping[str, Any]]) -> str:
    """The index of all weeks as HTML, from their documents (`farmwatch.report/1`), in any order."""
    weeks = sorted(documents, key=lambda document: str(document["week"]), reverse=True)
    template = _environment().get_template("index.html.j2")
    page = template.render(farm=farm, weeks=weeks, style=Markup(style_sheet()), policy=content_policy())
    return tidy(page) + "\n"


def style_sheet() -> str:
    """The page's only style sheet."""
    return tidy(files("farmwatch.report").joinpath("template", "report.css").read_text(encoding="utf-8"))


def content_policy(style: str | None = None) -> str:
    """The content security policy: nothing may be loaded or run, one style block is known by its SHA-256."""
    body = style_sheet() if style is None else style
    digest = base64.b64encode(hashlib.sha256(body.encode()).digest()).decode("ascii")
    return f"default-src 'none'; style-src 'sha256-{digest}'; base-uri 'none'; form-action 'none'"


def tidy(text: str) -> str:
    """Without empty lines and trailing blanks. The style's digest is taken of tidy text, so tidying changes no bit."""
    return "\n".join(line.rstrip() for line in text.splitlines() if line.strip())


@cache
def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("farmwatch.report", "template"),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=_fit,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters.update(
        mm=mm, percent=percent, signed=signed, spaced=spaced, joined=joined, whole=whole, hours=hours, short=_short
    )
    environment.globals.update(
        count=count,
        contour=_contour,
        expected=_expected,
        profile=_profile,
        square_code=square_code,
        history_line=history_line,
        excursion_words=excursion_words,
        machine_cell=machine_cell,
        range_strip=range_strip,
        range_axis=range_axis,
        repair_stair=repair_stair,
        range_track=range_track,
        due_axis=due_axis,
        due_track=due_track,
        due_within=DUE_WITHIN_DAYS,
        hindsight_sentences=hindsight_sentences,
        condition_bar=condition_bar,
        machines_by_week=machines_by_week,
        quarter_columns=quarter_columns,
        due_bars=due_bars,
        bars=_bars,
        due_drawn=DUE_DRAWN,
        most_decisions=MOST_DECISIONS,
        sheet_cautions=SHEET_CAUTIONS,
        range_history=range_history,
        advice_phrase=advice_phrase,
        cause_phrase=cause_phrase,
        shim_sentences=shim_sentences,
        day_of=day_of,
        ago=ago,
    )
    return environment


def _fit(value: object) -> object:
    """Foreign text loses what could steer a screen; escaping comes after."""
    return sanitize(value) if isinstance(value, str) and not isinstance(value, Markup) else value


def _contour(sheet: WorkSheet) -> Markup:
    machine = sheet.of
    if machine.mesh is None:
        return Markup("")
    return contour_sheet(
        machine.mesh,
        machine.model,
        key=f"bed{sheet.rank}",
        title=f"Bed plan of {machine.machine}",
        turns=sheet.turns,
        spikes=tuple((spike.x_mm, spike.y_mm) for spike in machine.spikes),
        sd_mm=machine.range_sd_mm,
    )


def _expected(sheet: WorkSheet) -> Markup:
    if sheet.after is None:
        return Markup("")
    title = f"Bed of {sheet.machine} as the moves leave it"
    return contour_sheet(
        sheet.after, sheet.of.model, key=f"after{sheet.rank}", title=title, small=True, sd_mm=sheet.of.range_sd_mm
    )


def _profile(sheet: WorkSheet) -> Markup:
    machine, after = sheet.of, sheet.after
    if machine.mesh is None:
        return Markup("")
    mesh = without(machine.mesh, [(spike.x_mm, spike.y_mm) for spike in machine.spikes])
    cut = None if after is None else from_reference(after, machine.model)
    title = f"Profile of {machine.machine} down its steepest line"
    return bed_profile(from_reference(mesh, machine.model), cut, key=f"cut{sheet.rank}", title=title)


def _short(name: str) -> str:
    return shortened(name, 20)


def _bars(weeks: Sequence[WeekAhead]) -> list[tuple[str, float]]:
    return [(week.name, week.expected) for week in weeks]
