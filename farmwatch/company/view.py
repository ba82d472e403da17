"""The company's week in values and words: the sites side by side, what is not right with their data. Pure."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo

from farmwatch.company.learned import Evidence, pooled_evidence
from farmwatch.company.priors import Learned, learn
from farmwatch.judge.tables import ADVICE
from farmwatch.report import Week
from farmwatch.report.shared import Sums, Work, added, hours
from farmwatch.store.records import LearnedDrift
from farmwatch.text import clock, count, day, day_of, joined

__all__ = ["CompanyFacts", "CompanyView", "SiteRow", "SiteShare", "company_view", "share_words"]

WEEKS_AHEAD = 4
"""Weeks of which the first page tells what is expected."""
_WEEKS_SHOWN = 8
_NAMES = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class CompanyFacts:
    """Whose report it is, of which week, as of when, and how old a site's data may be."""

    name: str
    zone: tzinfo
    week: Week
    at: datetime
    late_after: timedelta


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteShare:
    """One site's figures and what is known of its data."""

    name: str
    sums: Sums
    evidence: Evidence
    drift: Mapping[str, LearnedDrift]
    """By model, what it had learned of its drift."""
    exported_at: datetime
    bench_hours_a_week: float | None
    edition: str | None
    """The address of its own report of the week."""
    faults: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteRow:
    """One site beside the others."""

    name: str
    edition: str | None
    sums: Sums
    share: float | None
    share_before: float | None
    bench_hours_a_week: float | None
    expected: float
    """Machines expected to pass the limit within four weeks."""
    data_until: str
    late: str
    """How late its data is, in words; empty where it is in time."""


@dataclass(frozen=True, slots=True)
class Word:
    """What is not right with a site's data."""

    site: str
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CompanyView:
    """The report in the order in which it is read."""

    company: str
    week: str
    period: str
    at: datetime
    as_of: str
    running: bool
    sentence: str
    sites: tuple[SiteRow, ...]
    """The largest share past the limit first."""
    sites_known: int
    """Those of which nothing is shown among them."""
    whole: Sums
    expected: float
    ahead: tuple[tuple[str, float, float], ...]
    """Week, machines expected to pass the limit, hours of that work."""
    hours_each: float
    hours_practice: bool
    """The hours of a job ahead are common practice: no job of the week's is timed."""
    words: tuple[Word, ...]
    foreign: tuple[str, ...]
    learned: tuple[Learned, ...]

    @property
    def labour(self) -> list[tuple[str, Work]]:
        """The open work by kind, the most jobs first."""
        return sorted(self.whole.work.items(), key=lambda item: (-item[1].jobs, item[0]))

    @property
    def all_timed(self) -> bool:
        """Whether all hours rest on jobs that were timed at their sites."""
        return all(work.timed for work in self.whole.work.values())

    @property
    def share_before(self) -> float | None:
        """Share of all machines past the limit a week before."""
        return self.whole.past_before / self.whole.working_before if self.whole.working_before else None

    @property
    def bars(self) -> list[tuple[str, float]]:
        """What is expected, week by week."""
        return [(name, expected) for name, expected, _ in self.ahead]


def company_view(
    facts: CompanyFacts, shares: Sequence[SiteShare], left_out: Mapping[str, str], foreign: Sequence[str] = ()
) -> CompanyView:
    """What the report says; the same in any order of the sites.

    left_out: sites of which nothing is shown, each with why. foreign: what lies in the lake and is nobody's.
    """
    shares = sorted(shares, key=lambda share: share.name)
    whole = added([share.sums for share in shares])
    rows = [_row(share, facts) for share in shares]
    each, practice = _hours_each(whole)
    words = [Word(row.name, row.late) for row in rows if row.late]
    words += [Word(share.name, fault) for share in shares for fault in share.faults]
    words += [Word(name, f"not in this report: {why}") for name, why in sorted(left_out.items())]
    return CompanyView(
        company=facts.name,
        week=str(facts.week),
        period=f"{day(facts.week.monday)} to {day(facts.week.sunday)}",
        at=facts.at,
        as_of=clock(facts.at, facts.zone),
        running=facts.at < facts.week.end(facts.zone),
        sentence=_sentence(whole, rows, left_out, each),
        sites=tuple(sorted(rows, key=lambda row: (-(row.share if row.share is not None else -1.0), row.name))),
        sites_known=len(rows) + len(left_out),
        whole=whole,
        expected=_soon(whole),
        ahead=tuple((name, expected, expected * each) for name, expected in whole.ahead[:_WEEKS_SHOWN]),
        hours_each=each,
        hours_practice=practice,
        words=tuple(sorted(words, key=lambda word: word.site)),
        foreign=tuple(foreign),
        learned=learn(
            {share.name: share.evidence for share in shares},
            pooled_evidence([share.evidence for share in shares]),
            {share.name: share.drift for share in shares},
        ),
    )


def _row(share: SiteShare, facts: CompanyFacts) -> SiteRow:
    sums, age = share.sums, facts.at - share.exported_at
    before = sums.past_before / sums.working_before if sums.working_before else None
    late = ""
    if age > facts.late_after:
        late = (
            f"its data ends on {day_of(share.exported_at, facts.zone, year=False)}: {_span(age)} before this report's"
        )
    return SiteRow(
        name=share.name,
        edition=share.edition,
        sums=sums,
        share=sums.share_past,
        share_before=before,
        bench_hours_a_week=share.bench_hours_a_week,
        expected=_soon(sums),
        data_until=clock(min(share.exported_at, facts.at), facts.zone),
        late=late,
    )


def _soon(sums: Sums) -> float:
    return math.fsum(expected for _, expected in sums.ahead[:WEEKS_AHEAD])


def _hours_each(whole: Sums) -> tuple[float, bool]:
    """Hours of one job that is still to come: as the open ones take, or common practice where none is open."""
    jobs = sum(work.jobs for work in whole.work.values())
    if jobs:
        return whole.hours / jobs, not all(work.timed for work in whole.work.values())
    return ADVICE["realign"].bench_hours or 0.0, True


def _span(age: timedelta) -> str:
    return count(round(age.total_seconds() / 86400), "day") if age >= timedelta(hours=36) else "over a day"


def _sentence(whole: Sums, rows: Sequence[SiteRow], left_out: Mapping[str, str], each: float) -> str:
    if not rows:
        return "No site has data in the lake yet: `farmwatch export --lake` writes it."
    if whole.share_past is None:
        return f"None of the {count(whole.machines, 'machine')} at {count(len(rows), 'site')} has a mesh to judge yet."
    many = whole.past
    of = f"{count(whole.working, 'machine')} at {count(len(rows), 'site')}"
    are = "is" if many == 1 else "are"
    said = [f"{many:,} of {of} {are} past the limit ({share_words(whole.share_past)}), {_against(whole)}."]
    if whole.needing:
        parts = f" and {whole.parts}" if whole.parts else ""
        said.append(f"The open work takes about {hours(whole.hours)}{parts}.")
    soon = _soon(whole)
    if soon >= 0.5:
        said.append(
            f"In the next {WEEKS_AHEAD} weeks about {count(round(soon), 'more machine')} will pass it "
            f"(about {hours(soon * each)})."
        )
    late = [row.name for row in rows if row.late]
    if late:
        said.append(f"Late data: {joined(late, _NAMES)}.")
    if left_out:
        said.append(f"Not in this report: {joined(sorted(left_out), _NAMES)}.")
    return " ".join(said)


def _against(whole: Sums) -> str:
    change = whole.past - whole.past_before
    if not change:
        return "as many as a week before"
    return f"{abs(change):,} {'more' if change > 0 else 'fewer'} than a week before"


def share_words(value: float | None) -> str:
    """A share in per cent, with a decimal below ten."""
    return "–" if value is None else f"{100 * value:.1f} %" if value < 0.0995 else f"{100 * value:.0f} %"
