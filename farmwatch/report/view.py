"""The weekly view: everything the report says, as values and words. Pure: (now, the week before, farm) -> view."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo

from farmwatch.follow import ForecastScore
from farmwatch.judge import Assessment, FleetAssessment
from farmwatch.model import Limits
from farmwatch.report.changes import Change, changed_machines, merge_changes
from farmwatch.report.decisions import Decision, find_decisions
from farmwatch.report.figures import figure_sentences
from farmwatch.report.follow_up import FollowUp, find_follow_ups, follow_ups_in_short
from farmwatch.report.groups import Groups, sort_machines
from farmwatch.report.highlights import Highlight, find_highlights
from farmwatch.report.labour import Labour, find_labour
from farmwatch.report.printed import PrintedPages, plan_pages
from farmwatch.report.quarter import WeekCounts, count_weeks
from farmwatch.report.rows import MachineRow, find_repeats, find_unseen, fleet_rows
from farmwatch.report.scale import MmScale
from farmwatch.report.slips import CheckSlip, check_slip
from farmwatch.report.strips import Mark
from farmwatch.report.summary import past_in_parts, summary_sentence
from farmwatch.report.ticket_facts import TicketFacts, ticket_refs
from farmwatch.report.upcoming import DueMachine, WeekAhead, due_machines, weeks_ahead
from farmwatch.report.week import Week
from farmwatch.report.work_sheets import WorkSheet, work_sheet
from farmwatch.text import clock, day
from farmwatch.tickets import Durability, Ticket, is_settled

__all__ = ["MOST_DECISIONS", "MOST_SHEETS", "NO_TICKETS", "FarmFacts", "WeeklyView", "weekly_view"]

MOST_SHEETS = 24
"""Sheets that are drawn in full; on a farm with more, the rest stands in the table of the whole fleet."""
MOST_DECISIONS = 7
"""Decisions on the first page; the rest are counted there and listed behind."""

# A list that would otherwise run on for pages on a large farm.
_CHANGES_SHOWN = 60
NO_TICKETS = TicketFacts()


@dataclass(frozen=True, slots=True, kw_only=True)
class FarmFacts:
    """Whose report it is, of which week, and how many hours its bench has in one."""

    name: str
    zone: tzinfo
    week: Week
    bench_hours_a_week: float | None = None
    pages_url: str = ""
    """Where the farm's pages are; empty where the configuration does not say."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WeeklyView:
    """The report in values and words, in the order in which it is read."""

    farm: str
    week: str
    period: str
    as_of: str
    running: bool
    first: bool
    """No mesh is known from before this week: there is nothing to compare with."""
    zone: tzinfo
    at: datetime
    limits: Limits
    scale: MmScale
    """The scale of every range graphic of the edition."""
    sentence: str
    marks: tuple[Mark, ...]
    counts: tuple[tuple[str, int], ...]
    past_made_of: str
    """What the machines past the limit consist of; empty where all need work."""
    quarter: tuple[WeekCounts, ...]
    decisions: tuple[Decision, ...]
    labour: Labour
    opened: int
    """Tickets for beds that were opened in the week."""
    closed: int
    bench_hours_a_week: float | None
    highlights: tuple[Highlight, ...]
    needing_work: int
    sheets: tuple[WorkSheet, ...]
    slips: tuple[CheckSlip, ...]
    """Machines whose work is done and not checked yet: to be probed, not turned."""
    follow_ups: tuple[FollowUp, ...] | None
    """What became of last week's list; None on a farm without tickets and on a first report."""
    follow_ups_in_short: str
    figures: tuple[str, ...]
    """What the tickets teach; empty without tickets."""
    repairs: tuple[Durability, ...]
    """How long repairs hold, a kind each, where enough are known."""
    changes: tuple[Change, ...]
    """These and what moved by itself, a machine each."""
    changed_more: int
    """Machines that moved by less and are not told of."""
    due: tuple[DueMachine, ...]
    coming: tuple[DueMachine, ...]
    """All that are as likely as not past the limit within the horizon, the earliest first."""
    weeks: tuple[WeekAhead, ...]
    hindsight: ForecastScore | None
    """How right earlier forecasts were; None where none were kept."""
    followed: bool
    """Some machine's history says something: steps, drift or a forecast."""
    repeats: tuple[MachineRow, ...]
    floor: tuple[MachineRow, ...]
    unseen: tuple[MachineRow, ...]
    out: tuple[MachineRow, ...]
    fleet: tuple[MachineRow, ...]
    ranges_before: Mapping[str, float | None]
    """Range of each machine a week ago."""
    pages: PrintedPages
    """On which printed sheet each part stands."""

    @property
    def anchors(self) -> dict[str, str]:
        """Where each machine is read of first: its moves, its slip, or its row in the table of the fleet."""
        found = {row.machine: f"row{row.number}" for row in self.fleet}
        found |= {slip.machine: f"slip{i}" for i, slip in enumerate(self.slips, 1)}
        return found | {sheet.machine: f"steps{sheet.rank}" for sheet in self.sheets}

    @property
    def by_name(self) -> dict[str, MachineRow]:
        """Each machine's row of the fleet."""
        return {row.machine: row for row in self.fleet}

    @property
    def ranks(self) -> dict[str, int]:
        """Number of each drawn sheet, by machine."""
        return {sheet.machine: sheet.rank for sheet in self.sheets}


def weekly_view(
    now: FleetAssessment,
    before: FleetAssessment,
    farm: FarmFacts,
    book: TicketFacts = NO_TICKETS,
    hindsight: ForecastScore | None = None,
) -> WeeklyView:
    """What the report of `farm.week` says: the farm at the week's end, against a week before, and its tickets.

    hindsight: how right the forecasts of earlier weeks were, as far as that is known at `now.at`.
    """
    zone, at = farm.zone, now.at
    today = at.astimezone(zone).date()
    groups, was = sort_machines(now, book.now), sort_machines(before, book.before)
    first = all(m.reading is None for m in before.machines)
    refs = ticket_refs({**groups.tickets, **groups.accepted}, book.events, today, zone)
    labour = find_labour(groups.needing, groups.floor, book.now, at)
    decisions = find_decisions(groups, labour, _settled(groups, book.now, now), today, refs)
    healthy = tuple(m for m in groups.working if m.condition != "past-limit")
    due, weeks = due_machines(healthy, at, zone), weeks_ahead(healthy, at, zone)
    changed = () if first else changed_machines(now, before, zone)
    follow_ups = None if first or not book.now else find_follow_ups(now, before, book, zone)
    sheets = tuple(
        work_sheet(
            m,
            rank,
            at,
            zone,
            refs.get(m.machine),
            labour.each.get(m.machine, 0.0),
            now.limits.usable_mm,
            farm.pages_url,
        )
        for rank, m in enumerate(groups.needing[:MOST_SHEETS], 1)
    )
    awaiting = [m.machine for m in groups.awaiting]
    return WeeklyView(
        farm=farm.name,
        week=str(farm.week),
        period=f"{day(farm.week.monday)} to {day(farm.week.sunday)}",
        as_of=clock(at, zone),
        running=at < farm.week.end(zone),
        first=first,
        zone=zone,
        at=at,
        limits=now.limits,
        scale=MmScale.holding(_all_ranges(now, before), now.limits),
        sentence=summary_sentence(
            now.machines, groups, None if first else was, labour, decisions, _failed(groups.tickets)
        ),
        marks=_marks(groups.working, before, farm.week.start(zone)),
        counts=_counts(now.machines),
        past_made_of=past_in_parts(groups),
        quarter=count_weeks(now, book.events, zone),
        decisions=decisions,
        labour=labour,
        opened=sum(before.at < t.opened_at <= at for t in book.now if t.cause != "host"),
        closed=sum(t.closed_at is not None and before.at < t.closed_at <= at for t in book.now if t.cause != "host"),
        bench_hours_a_week=farm.bench_hours_a_week,
        highlights=find_highlights(now, groups, refs, due, zone),
        needing_work=len(groups.needing),
        sheets=sheets,
        slips=tuple(check_slip(m, groups.tickets[m.machine], zone) for m in groups.awaiting),
        follow_ups=follow_ups,
        follow_ups_in_short=follow_ups_in_short(follow_ups or ()),
        figures=() if book.figures is None else figure_sentences(book.figures, needs=False),
        repairs=() if book.figures is None else tuple(one for one in book.figures.durability if one.stair),
        changes=merge_changes(changed[:_CHANGES_SHOWN], follow_ups or (), now),
        changed_more=max(0, len(changed) - _CHANGES_SHOWN),
        due=due,
        coming=due_machines(healthy, at, zone, within_days=math.inf)[:_CHANGES_SHOWN],
        weeks=weeks,
        hindsight=hindsight if hindsight is not None and hindsight.kept else None,
        followed=any(m.drift is not None or m.forecast is not None or m.steps for m in now.machines),
        repeats=find_repeats(groups.working, at, zone),
        floor=tuple(MachineRow(of=m, ticket=refs.get(m.machine)) for m in groups.floor),
        unseen=find_unseen(groups.working),
        out=tuple(MachineRow(of=m) for m in now.machines if not m.in_service),
        fleet=fleet_rows(now.machines, refs, awaiting),
        ranges_before={m.machine: m.condition_range_mm for m in before.machines},
        pages=plan_pages(now.machines, awaiting, [sheet.machine for sheet in sheets]),
    )


def _settled(groups: Groups, tickets: Sequence[Ticket], now: FleetAssessment) -> set[str]:
    """Machines for which a closed ticket has answered already: accepted, or as good as teeth allow and proven so."""
    mine: dict[str, list[Ticket]] = {}
    for ticket in tickets:
        mine.setdefault(ticket.machine, []).append(ticket)
    here = [m for m in groups.working if m.machine in mine]
    return {m.machine for m in here if is_settled(m, mine[m.machine], now.at, now.limits.usable_mm)}


def _failed(tickets: Mapping[str, Ticket]) -> int:
    return sum(ticket.phase == "came-back" for ticket in tickets.values())


def _all_ranges(now: FleetAssessment, before: FleetAssessment) -> list[float]:
    """Every range that a graphic of the edition may show; those of machines out of service are in the table alone."""
    return [
        m.condition_range_mm
        for m in (*now.machines, *before.machines)
        if m.in_service and m.condition_range_mm is not None
    ]


def _marks(working: Sequence[Assessment], before: FleetAssessment, start: datetime) -> tuple[Mark, ...]:
    """Each machine of which a range is known; sure are those that a judged mesh of this week confirms."""
    earlier = {m.machine: m for m in before.machines if m.in_service}
    marks = []
    for m in working:
        if m.condition_range_mm is None or m.condition == "unknown":
            continue
        was = earlier.get(m.machine)
        seen = m.reading is not None and m.reading.judged and m.reading.taken_at >= start
        marks.append(
            Mark(
                machine=m.machine,
                condition=m.condition,
                range_mm=m.condition_range_mm,
                before_mm=was.condition_range_mm if was is not None else None,
                crossed=was is not None and was.condition not in ("unknown", m.condition),
                sure=m.confirmed and seen,
            )
        )
    return tuple(marks)


def _counts(machines: Sequence[Assessment]) -> tuple[tuple[str, int], ...]:
    """The fleet by condition; machines out of service stand apart."""
    working = [m for m in machines if m.in_service]
    rows = [(c, sum(m.condition == c for m in working)) for c in ("past-limit", "usable", "ideal", "unknown")]
    return (*rows, ("out", len(machines) - len(working)))
