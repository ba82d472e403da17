"""The weekly report as a letter: what stands on its first page, in words and as a page for mail readers.

Mail readers drop style sheets, scripts and drawings: so tables, inline styles, nothing from outside. The whole report
goes along as a file.
"""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path

from jinja2 import Environment, PackageLoader, StrictUndefined

from farmwatch.judge import CAUTIONS, CAUTIONS_FOOT
from farmwatch.report import WeeklyView
from farmwatch.text import count, mm, sanitize

__all__ = ["report_letter"]


def report_letter(view: WeeklyView, path: Path) -> str:
    """The letter's content: subject, both texts, and where the whole report lies."""
    given = {"view": view, "name": path.name, "cautions": CAUTIONS, "foot": CAUTIONS_FOOT}
    environment = _environment()
    return json.dumps(
        {
            "subject": sanitize(f"{view.farm}, week {view.week}: {_hands(view)}"),
            "plain": environment.get_template("report.txt.j2").render(given),
            "html": environment.get_template("report.html.j2").render(given),
            "file": str(path),
        },
        ensure_ascii=False,
    )


def _hands(view: WeeklyView) -> str:
    return (
        f"{count(view.needing_work, 'machine needs', 'machines need')} work"
        if view.needing_work
        else "no machine needs work"
    )


@cache
def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("farmwatch.service", "template"),
        autoescape=lambda name: name is not None and name.endswith(".html.j2"),
        undefined=StrictUndefined,
        finalize=lambda value: sanitize(value) if isinstance(value, str) else value,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals.update(mm=mm, count=count)
    return environment
