"""The weekly view: everything the report says, as values and words. Pure: (now, the week before, farm) -> view."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo

from farmwatch.judge import Assessment, FleetAssessment
from farmwatch.model import Limits
from farmwatch.report.changes import Change, ChangedMachine, changed_machines, merge_changes, why_repeated
from farmwatch.report.decisions import Decision, find_decisions, host_at_fault, is_to_probe
from farmwatch.report.figures import figure_sentences
from farmwatch.report.follow_up import FollowUp, find_follow_ups, follow_ups_in_short
from farmwatch.report.groups import Groups, is_checked_since, sort_machines, worst_first
from farmwatch.report.labour import Labour, find_labour
from farmwatch.report.quarter import WeekCounts, count_weeks
from farmwatch.report.strips import Mark, MmScale
from farmwatch.report.summary import past_in_parts, summary_sentence
from farmwatch.report.ticket_facts import TicketFacts, TicketRef, ticket_refs
from farmwatch.report.upcoming import DueMachine, WeekAhead, due_machines, weeks_ahead
from farmwatch.report.week import Week
from farmwatch.report.work_sheets import CheckSlip, WorkSheet, check_slip, work_sheet
from farmwatch.text import clock, day, day_of, joined, mm, shortened, spaced
from farmwatch.tickets import Ticket, is_settled

__all__ = ["MOST_DECISIONS", "MOST_SHEETS", "NO_TICKETS", "FarmFacts", "MachineRow", "WeeklyView", "weekly_view"]

MOST_SHEETS = 24
"""Sheets that are drawn in full; on a farm with more, the rest stands in the table of the whole fleet."""
MOST_DECISIONS = 7
"""Decisions on the first page; the rest are counted there and listed behind."""

# Lists that would otherwise run on for pages on a large farm, and names on a line of the first page.
_CHANGES_SHOWN = 60
_NAMES = 3
NO_TICKETS = TicketFacts()


@dataclass(frozen=True, slots=True, kw_only=True)
class FarmFacts:
    """Whose report it is, of which week, and how many hours its bench has in one."""

    name: str
    zone: tzinfo
    week: Week
    bench_hours_a_week: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class MachineRow:
    """One machine in a list, with what the list says of it, a sentence each."""

    of: Assessment
    notes: tuple[str, ...] = ()
    ticket: TicketRef | None = None
    rank: int | None = None
    """Number of the machine's sheet, where it has one."""

    @property
    def machine(self) -> str:
        """Its name."""
        return self.of.machine


@dataclass(frozen=True, slots=True, kw_only=True)
class Highlight:
    """What else is in the report, in a line: a label, names, and the id of the section that has all of it."""

    label: str
    words: str
    behind: str


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
    changed: tuple[ChangedMachine, ...]
    changed_more: int
    changes: tuple[Change, ...]
    """Both of these by machine, for the page of what changed."""
    due: tuple[DueMachine, ...]
    coming: tuple[DueMachine, ...]
    """All that are as likely as not past the limit within the horizon, the earliest first."""
    weeks: tuple[WeekAhead, ...]
    followed: bool
    """Some machine's history says something: steps, drift or a forecast."""
    repeats: tuple[MachineRow, ...]
    floor: tuple[MachineRow, ...]
    unseen: tuple[MachineRow, ...]
    out: tuple[MachineRow, ...]
    fleet: tuple[MachineRow, ...]
    ranges_before: Mapping[str, float | None]
    """Range of each machine a week ago."""

    @property
    def anchors(self) -> dict[str, str]:
        """Where each machine is read of first: its moves, its slip, or its row in the table of the fleet."""
        found = {row.machine: f"row{i}" for i, row in enumerate(self.fleet, 1)}
        found |= {slip.machine: f"slip{i}" for i, slip in enumerate(self.slips, 1)}
        return found | {sheet.machine: f"steps{sheet.rank}" for sheet in self.sheets}

    @property
    def ranks(self) -> dict[str, int]:
        """Number of each drawn sheet, by machine."""
        return {sheet.machine: sheet.rank for sheet in self.sheets}


def weekly_view(
    now: FleetAssessment, before: FleetAssessment, farm: FarmFacts, book: TicketFacts = NO_TICKETS
) -> WeeklyView:
    """What the report of `farm.week` says: the farm at the week's end, against a week before, and its tickets."""
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
        work_sheet(m, rank, at, zone, refs.get(m.machine), labour.each.get(m.machine, 0.0), now.limits.usable_mm)
        for rank, m in enumerate(groups.needing[:MOST_SHEETS], 1)
    )
    ranks = {s.machine: s.rank for s in sheets}
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
        highlights=_highlights(now, groups, refs, due, zone),
        needing_work=len(groups.needing),
        sheets=sheets,
        slips=tuple(check_slip(m, groups.tickets[m.machine], zone) for m in groups.awaiting),
        follow_ups=follow_ups,
        follow_ups_in_short=follow_ups_in_short(follow_ups or ()),
        figures=() if book.figures is None else figure_sentences(book.figures, needs=False),
        changed=changed[:_CHANGES_SHOWN],
        changed_more=max(0, len(changed) - _CHANGES_SHOWN),
        changes=merge_changes(
            changed[:_CHANGES_SHOWN], follow_ups or (), {m.machine: m.condition for m in now.machines}
        ),
        due=due,
        coming=due_machines(healthy, at, zone, within_days=math.inf)[:_CHANGES_SHOWN],
        weeks=weeks,
        followed=any(m.drift is not None or m.forecast is not None or m.steps for m in now.machines),
        repeats=_repeats(groups.working, at, zone),
        floor=tuple(MachineRow(of=m, ticket=refs.get(m.machine)) for m in groups.floor),
        unseen=_unseen(groups.working),
        out=tuple(MachineRow(of=m) for m in now.machines if not m.in_service),
        fleet=tuple(MachineRow(of=m, ticket=refs.get(m.machine), rank=ranks.get(m.machine)) for m in now.machines),
        ranges_before={m.machine: m.condition_range_mm for m in before.machines},
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


def _highlights(
    now: FleetAssessment, groups: Groups, refs: Mapping[str, TicketRef], due: Sequence[DueMachine], zone: tzinfo
) -> tuple[Highlight, ...]:
    """What is no decision, a line each: work under way, checks and chores, what is coming and what is left alone."""
    today = now.at.astimezone(zone).date()
    tickets = groups.tickets
    under_way = [
        m.machine
        for m in worst_first(groups.working)
        if (t := tickets.get(m.machine)) is not None
        and t.phase in ("approved", "in-work")
        and not (t.due is not None and t.due < today)
    ]
    to_probe = [m.machine for m in groups.awaiting if not is_checked_since(m, tickets[m.machine])]
    waiting = [m.machine for m in groups.awaiting if m.machine not in to_probe]
    again = [m.machine for m in worst_first(groups.working) if is_to_probe(m, tickets.get(m.machine))]
    hosts = [m.machine for m in groups.working if host_at_fault(m)]
    never = [m.machine for m in groups.working if m.reading is None and m.machine not in set(hosts)]
    rows = [
        ("With the bench", joined([_with_owner(name, refs[name]) for name in under_way], _NAMES), "sheets"),
        ("Not checked: probe hot", _named(to_probe), "slips"),
        ("Next mesh decides", _named(waiting), "slips"),
        ("Probe again hot", _named(again), "fleet"),
        ("Fix the host", _named(hosts), "unseen"),
        ("Get a first mesh", _named(never), "unseen"),
        ("Coming in four weeks", joined([f"{shortened(d.machine, 20)} ({d.day})" for d in due], 3), "due"),
        ("Accepted", joined([_accepted(t, zone) for t in groups.accepted.values()], 2), "fleet"),
        ("Out of service", _named([m.machine for m in now.machines if not m.in_service]), "out"),
    ]
    return tuple(Highlight(label=label, words=words, behind=behind) for label, words, behind in rows if words)


def _named(machines: Iterable[str]) -> str:
    """The first machines by name, the rest counted."""
    return joined([shortened(name, 20) for name in machines], _NAMES)


def _with_owner(machine: str, ticket: TicketRef) -> str:
    name = shortened(machine, 20)
    return f"{name} ({shortened(ticket.owner, 16)})" if ticket.owner else name


def _accepted(ticket: Ticket, zone: tzinfo) -> str:
    limit = "" if ticket.accepted_limit_mm is None else f"up to {mm(ticket.accepted_limit_mm, 2)} mm"
    until = "" if ticket.accepted_until is None else f"until {day_of(ticket.accepted_until, zone)}"
    said = " ".join(part for part in (limit, until) if part)
    return f"{shortened(ticket.machine, 20)} ({said})" if said else shortened(ticket.machine, 20)


def _repeats(working: Sequence[Assessment], at: datetime, zone: tzinfo) -> tuple[MachineRow, ...]:
    rows = ((m, why_repeated(m, at, zone)) for m in working)
    return tuple(MachineRow(of=m, notes=tuple(why)) for m, why in rows if why)


def _unseen(machines: Sequence[Assessment]) -> tuple[MachineRow, ...]:
    """Silent hosts first, then old meshes, then machines that never sent one, then meshes in doubt."""
    found = []
    for m in machines:
        why = [*_host_words(m), *_mesh_words(m), *m.warnings]
        if why:
            found.append(((not m.silent, not m.mesh_old, m.reading is not None), MachineRow(of=m, notes=tuple(why))))
    return tuple(row for _, row in sorted(found, key=lambda item: item[0]))


def _host_words(machine: Assessment) -> list[str]:
    if not host_at_fault(machine):
        return []
    said = ": ".join(word for word in (spaced(machine.last_outcome or ""), machine.last_reason) if word)
    what = "host silent" if machine.silent else "host gives no usable mesh"
    return [f"{what} ({said})" if said else what]


def _mesh_words(machine: Assessment) -> list[str]:
    if machine.reading is None:
        return ["never sent a mesh"]
    said = ["the mesh is old; its condition stands"] if machine.mesh_old else []
    if not machine.reading.judged:
        said.append(f"newest mesh ignored: {machine.reading.why_not_judged or 'it cannot be judged'}")
    return said
