"""View -> one self-contained page in the report's language, its numbers as JSON, and a line a site as CSV."""

from __future__ import annotations

import csv
import io
import math
from functools import cache
from importlib.resources import files
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from farmwatch.company.learned import DAYS_A_MONTH
from farmwatch.company.pooling import Rate
from farmwatch.company.view import CompanyView, SiteRow, share_words
from farmwatch.report.shared import (
    Sums,
    condition_bar,
    content_policy,
    due_bars,
    hours,
    marks,
    quarter_columns,
    style_sheet,
    tidy,
    whole,
)
from farmwatch.text import count, joined, sanitize, shortened, spaced
from farmwatch.times import rfc3339

__all__ = ["SCHEMA", "company_csv", "company_document", "render_company"]

SCHEMA = "farmwatch.company/1"
_MOST_SITES = 12
"""Sites of a model whose own rates are shown; all count."""
_COLUMNS = (
    "site", "machines", "in_service", "past_limit", "share_past", "share_past_before", "usable", "ideal", "unknown",
    "needing_work", "awaiting_check", "repairs_held", "repairs_failed", "hours", "bench_hours_a_week", "parts",
    "expected_4_weeks", "silent_hosts", "data_until",
)  # fmt: skip


def render_company(view: CompanyView) -> str:
    """The company's week as HTML; the same view gives the same text."""
    style = style_sheet() + "\n" + _own_style()
    page = _environment().get_template("company.html.j2").render(
        view=view, style=Markup(style), policy=content_policy(style), marks=marks()
    )  # fmt: skip
    return tidy(page) + "\n"


def company_document(view: CompanyView) -> dict[str, Any]:
    """The numbers as farmwatch.company/1."""
    return {
        "schema": SCHEMA,
        "company": view.company,
        "week": view.week,
        "at": rfc3339(view.at),
        "summary": view.sentence,
        "company_sums": _sums(view.whole),
        "ahead": [
            {"week": name, "machines": round(expected, 3), "hours": round(taken, 2)}
            for name, expected, taken in view.ahead
        ],
        "sites": [
            {
                "site": row.name,
                "edition": row.edition,
                "data_until": row.data_until,
                "late": bool(row.late),
                "bench_hours_a_week": row.bench_hours_a_week,
                **_sums(row.sums),
            }
            for row in view.sites
        ],
        "data": [{"site": word.site, "words": word.words} for word in view.words],
        "foreign": list(view.foreign),
    }


def company_csv(view: CompanyView) -> str:
    """A line a site; text that a spreadsheet would take for a formula is kept from it."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(_COLUMNS)
    for row in view.sites:
        writer.writerow([_cell(value) for value in _line(row)])
    return out.getvalue()


def _line(row: SiteRow) -> tuple[Any, ...]:
    sums = row.sums
    return (
        row.name, sums.machines, sums.working, sums.past, row.share, row.share_before, sums.conditions.get("usable", 0),
        sums.conditions.get("ideal", 0), sums.conditions.get("unknown", 0), sums.needing, sums.awaiting, sums.held,
        sums.failed, sums.hours, row.bench_hours_a_week, sums.parts, row.expected, sums.silent, row.data_until,
    )  # fmt: skip


def _cell(value: Any) -> Any:
    if isinstance(value, float):
        return f"{value:.4f}"
    if isinstance(value, str) and value[:1] in ("=", "+", "-", "@"):
        return "'" + value
    return value


def _sums(sums: Sums) -> dict[str, Any]:
    share = sums.share_past
    return {
        "machines": sums.machines,
        "in_service": sums.working,
        "counts": {name: sums.conditions.get(name, 0) for name in ("past-limit", "usable", "ideal", "unknown")},
        "share_past": None if share is None else round(share, 4),
        "past_limit_before": sums.past_before,
        "needing_work": sums.needing,
        "awaiting_check": sums.awaiting,
        "accepted": sums.accepted,
        "at_tooth_floor": sums.at_floor,
        "repairs": {"held": sums.held, "failed": sums.failed},
        "tickets": {"opened": sums.opened, "closed": sums.closed},
        "labour": {
            "hours": round(sums.hours, 2),
            "jobs": [
                {"work": kind, "jobs": work.jobs, "hours": round(work.hours, 2), "timed_here": work.timed}
                for kind, work in sums.work.items()
            ],
            "shims": [{"mm": mm, "count": many} for mm, many in sums.shims.items()],
            "plates": sums.plates,
            "for_two_people": sums.for_two,
        },
        "ahead": [{"week": name, "machines": round(expected, 3)} for name, expected in sums.ahead],
        "silent_hosts": sums.silent,
        "old_meshes": sums.old,
        "newest_mesh": rfc3339(sums.newest),
    }


@cache
def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("farmwatch.company", "template"),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=_fit,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters.update(joined=joined, hours=hours, whole=whole, spaced=spaced)
    environment.filters.update(share=share_words, short=_short, months=_months, half=_half)
    environment.globals.update(
        count=count,
        most_sites=_MOST_SITES,
        condition_bar=condition_bar,
        quarter_columns=quarter_columns,
        due_bars=due_bars,
    )
    return environment


def _own_style() -> str:
    return tidy(files("farmwatch.company").joinpath("template", "company.css").read_text(encoding="utf-8"))


def _fit(value: object) -> object:
    """Foreign text loses what could steer a screen; escaping comes after."""
    return sanitize(value) if isinstance(value, str) and not isinstance(value, Markup) else value


def _short(name: str) -> str:
    return shortened(name, 28)


def _months(rate: Rate) -> str:
    """A rate a machine-day as events of a hundred machines in a month, with its interval."""
    mean, low, high = (100 * DAYS_A_MONTH * value for value in (rate.mean, rate.low, rate.high))
    return f"{_two(mean)} ({_two(low)} to {_two(high)})"


def _half(rate: Rate) -> str:
    """How many weeks half of the repairs last, where work is needed again at this rate at any time (exponential)."""
    weeks = [math.log(2.0) / (7.0 * value) for value in (rate.mean, rate.high, rate.low)]
    return f"{weeks[0]:,.0f} weeks ({weeks[1]:,.0f} to {weeks[2]:,.0f})" if weeks[2] < 1000 else "years"


def _two(value: float) -> str:
    return f"{value:.0f}" if value >= 9.95 else f"{value:.1f}" if value >= 0.095 else f"{value:.2f}"
