"""The company's report as files: every site assessed from the lake, a page, its numbers, and what a site may learn."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise
from pathlib import Path
from zoneinfo import ZoneInfo

from farmwatch.company.engines import Done, Progress, Say, Skipped, cores, run_tasks
from farmwatch.company.lake import Lake, LakeSite, read_lake
from farmwatch.company.learned import pooled_evidence
from farmwatch.company.page import company_csv, company_document, render_company
from farmwatch.company.place import Place, open_place
from farmwatch.company.priors import priors_document
from farmwatch.company.tasks import MACHINES_A_TASK, Task
from farmwatch.company.view import CompanyFacts, CompanyView, SiteShare, company_view
from farmwatch.config.settings import Company
from farmwatch.errors import FarmwatchError, InputError
from farmwatch.files import replacing
from farmwatch.report import Week, week_just_ended
from farmwatch.report.shared import added
from farmwatch.text import clock

__all__ = ["Engine", "write_company"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Engine:
    """Where the work is done: so many processes here (0: one a core), or a scheduler's workers."""

    jobs: int = 0
    address: str | None = None


def write_company(
    company: Company,
    url: str,
    folder: Path,
    at: datetime,
    week: Week | None = None,
    *,
    engine: Engine = Engine(),  # a frozen value
    say: Say = lambda _: None,
    progress: Progress | None = None,
) -> tuple[CompanyView, Path]:
    """Write the company's report of a week (None: the last full one at `at`) to a folder; what it says, and where.

    The same lake gives the same bytes, wherever its tasks ran. `say` is told what concerns this run alone. Raises
    InputError for a week that has not begun, FarmwatchError where the lake cannot be listed or the report not written.
    """
    week = week_just_ended(at, company.timezone) if week is None else week
    start = week.start(company.timezone)
    if at <= start:
        raise InputError(f"week {week} has not begun: it starts on {clock(start, company.timezone)}")
    place = open_place(url)
    lake = read_lake(place, at, company.sites)
    shares, left_out = _shares(place, lake, week, at, engine, say, progress)
    facts = CompanyFacts(
        name=company.name,
        zone=company.timezone,
        week=week,
        at=min(week.end(company.timezone), at),
        late_after=timedelta(hours=company.late_after_hours),
    )
    view = company_view(facts, shares, left_out, lake.foreign)
    target = folder / f"farmwatch-company-{week}.html"
    priors = priors_document(company.name, str(week), view.learned)
    # The page is what is waited for: it stands last, when all that it names is there.
    _put(target.with_suffix(".csv"), company_csv(view).encode("utf-8"))
    _put(target.with_suffix(".priors.json"), _json(priors))
    _put(target.with_suffix(".json"), _json(company_document(view)))
    _put(target, render_company(view).encode("utf-8"))
    return view, target


def _shares(
    place: Place, lake: Lake, week: Week, at: datetime, engine: Engine, say: Say, progress: Progress | None
) -> tuple[list[SiteShare], dict[str, str]]:
    """The figures of every site, and those of which there are none."""
    left_out = {one.name: one.why for one in lake.left_out}
    tasks = {site.name: _tasks(place, site, week, at) for site in lake.sites}
    flat = [task for some in tasks.values() for task in some]
    done = run_tasks(flat, jobs=engine.jobs or cores(), engine=engine.address, say=say, progress=progress)
    ends = [0]
    for some in tasks.values():
        ends.append(ends[-1] + len(some))
    shares = []
    for site, (first, last) in zip(lake.sites, pairwise(ends), strict=True):
        found = _share(site, flat[first:last], done[first:last], week)
        if isinstance(found, SiteShare):
            shares.append(found)
        else:
            left_out[site.name] = found
    return shares, left_out


def _tasks(place: Place, site: LakeSite, week: Week, at: datetime) -> list[Task]:
    """A site's machines in tasks; each site's week is that of its own clock, as in its own edition."""
    zone = ZoneInfo(site.manifest.timezone)
    machines = site.manifest.tables["machines"].rows if "machines" in site.manifest.tables else 0
    return [
        Task(
            url=place.url,
            folder=site.folder,
            manifest=site.body,
            without=site.without,
            first=first,
            last=min(first + MACHINES_A_TASK, machines),
            at=min(week.end(zone), at),
            before=week.start(zone),
        )
        for first in range(0, max(machines, 1), MACHINES_A_TASK)
    ]


def _share(site: LakeSite, tasks: Sequence[Task], done: Sequence[Done], week: Week) -> SiteShare | str:
    """A site's figures, or why there are none."""
    parts = [one for one in done if not isinstance(one, Skipped)]
    skipped = [(task, one) for task, one in zip(tasks, done, strict=True) if isinstance(one, Skipped)]
    if not parts:
        return skipped[0][1].why
    lost = [f"machines {task.first + 1:,} to {task.last:,} of its list: {one.why}" for task, one in skipped]
    said = list(dict.fromkeys(fault for part in parts for fault in part.faults))
    manifest = site.manifest
    return SiteShare(
        name=site.name,
        sums=added([part.sums for part in parts]),
        evidence=pooled_evidence([part.evidence for part in parts]),
        drift=next((part.drift for part in parts if part.drift), {}),
        exported_at=manifest.exported_at,
        bench_hours_a_week=manifest.bench_hours_a_week,
        edition=None if manifest.edition is None else f"{manifest.edition}/farmwatch-{week}.html",
        faults=(*site.faults, *lost, *_few(said)),
    )


def _few(said: Sequence[str], most: int = 8) -> list[str]:
    """The first sentences, the rest counted: one damaged disk is not a page of them."""
    return list(said) if len(said) <= most else [*said[: most - 1], f"and {len(said) - most + 1:,} more of these"]


def _json(document: object) -> bytes:
    return json.dumps(document, ensure_ascii=False, allow_nan=False, separators=(",", ":")).encode("utf-8", "replace")


def _put(target: Path, body: bytes) -> None:
    """Whole or not at all."""
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        with replacing(target) as beside:
            beside.write_bytes(body)
    except OSError as fault:
        raise FarmwatchError(f"the report cannot be written to {target}: {fault.strerror or fault}") from fault
