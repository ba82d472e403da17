"""The weekly view: everything the report says, as plain values. Pure: (now, the week before, farm) -> view."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo
from pathlib import Path

from farmwatch.judge import Assessment, FleetAssessment
from farmwatch.judge.assessment import Condition
from farmwatch.judge.words import advice_phrase, cause_phrase
from farmwatch.model import Limits
from farmwatch.report.changes import ChangedMachine, RepeatedFault, changed_machines, repeated_faults
from farmwatch.report.charts import RangeHistory
from farmwatch.report.decide import Decision, decisions_today, host_at_fault, run_where, with_all_names
from farmwatch.report.figures import figure_sentences
from farmwatch.report.follow_up import FollowUp, find_follow_ups, follow_ups_in_short
from farmwatch.report.front_page import FrontPageInput, FrontRow, Highlight, fit_front_page, front_rows
from farmwatch.report.summary import past_in_parts, summary_sentence
from farmwatch.report.ticket_facts import TicketFacts, TicketRef, accepted_machines, open_tickets, ticket_ref
from farmwatch.report.upcoming import DueMachine, WeekAhead, due_machines, weeks_ahead
from farmwatch.report.week import Week
from farmwatch.report.work_sheets import (
    AtToothFloor,
    WorkSheet,
    at_tooth_floor,
    machines_needing_work,
    range_history,
    sheet,
)
from farmwatch.text import ago, clock, day, day_of, mm, shortened, spaced
from farmwatch.tickets import Ticket, TicketEvent, is_settled

__all__ = [
    "DUE_DRAWN", "MOST_SHEETS", "NO_TICKETS", "FarmFacts", "FleetRow", "OutOfService", "UnseenMachine", "WeeklyView",
    "weekly_view",
]  # fmt: skip

MOST_SHEETS = 24
"""Sheets that are drawn in full; on a farm with more, the rest stands in the table of the whole fleet."""

# Lists that would otherwise run on for pages on a large farm.
_CHANGES_SHOWN = 60
DUE_DRAWN = 12
NO_TICKETS = TicketFacts()


@dataclass(frozen=True, slots=True, kw_only=True)
class FarmFacts:
    """Whose report it is and of which week."""

    name: str
    zone: tzinfo
    week: Week
    config: Path | None = None
    """Its configuration, where commands must be told of it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class UnseenMachine:
    """A machine whose mesh is old, whose host is silent, that never sent a mesh or whose mesh is in doubt."""

    machine: str
    aisle: str
    condition: str
    mesh: str
    answered: str
    why: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class OutOfService:
    """A machine out of service."""

    machine: str
    aisle: str
    reason: str
    until: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FleetRow:
    """One machine in the table of the whole fleet."""

    machine: str
    aisle: str
    model: str
    in_service: bool
    condition: Condition
    confirmed: bool
    range_mm: float | None
    flatness_mm: float | None
    tooth_floor_mm: float | None
    cause: str
    advice: str
    mesh: str
    judged: bool
    """Whether the mesh that is shown is the one its condition comes from."""
    history: RangeHistory | None
    rank: int | None
    """Number of the machine's sheet, where it has one."""
    ticket: TicketRef | None
    """Its open ticket, or the one by which it is accepted as it is."""


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
    limits: Limits
    sentence: str
    counts: tuple[tuple[str, int], ...]
    ranges: tuple[tuple[float, Condition], ...]
    past_made_of: str
    """What the machines past the limit consist of; empty where all need hands."""
    decisions: tuple[Decision, ...]
    decisions_foot: tuple[str, str]
    """Where the commands are run, and what stands on the next page; each may be empty."""
    decisions_in_full: tuple[tuple[int, Decision], ...]
    """Those of the first page, with their numbers, for whose names it has no room."""
    decisions_behind: tuple[Decision, ...]
    """Those for which the first page has no room."""
    front: tuple[FrontRow, ...]
    highlights: tuple[Highlight, ...]
    needing_work: int
    follow_ups: tuple[FollowUp, ...] | None
    """What became of last week's list; None on a farm without tickets and on a first report."""
    follow_ups_in_short: str
    figures: tuple[str, ...]
    """What the farm learns from its tickets; empty without tickets."""
    sheets: tuple[WorkSheet, ...]
    changed: tuple[ChangedMachine, ...]
    changed_more: int
    due: tuple[DueMachine, ...]
    repeats: tuple[RepeatedFault, ...]
    weeks: tuple[WeekAhead, ...]
    followed: bool
    """Some machine's history says something: steps, drift or a forecast."""
    floor: tuple[AtToothFloor, ...]
    unseen: tuple[UnseenMachine, ...]
    out: tuple[OutOfService, ...]
    fleet: tuple[FleetRow, ...]


def weekly_view(
    now: FleetAssessment, before: FleetAssessment, farm: FarmFacts, book: TicketFacts = NO_TICKETS
) -> WeeklyView:
    """What the report of `farm.week` says: the farm at the week's end, against a week before, and its tickets."""
    zone, at = farm.zone, now.at
    working = tuple(m for m in now.machines if m.in_service)
    healthy = tuple(m for m in working if m.condition != "past-limit")
    accepted = accepted_machines(working, book.now, at)
    needing = machines_needing_work(working, accepted)
    beside = _ticket_refs(book, {**open_tickets(book.now), **accepted}, at, zone)
    first = all(m.reading is None for m in before.machines)
    due = due_machines(healthy, at, zone)
    moved = () if first else changed_machines(now, before, zone)
    sheets = tuple(sheet(m, rank, at, zone, beside.get(m.machine)) for rank, m in enumerate(needing[:MOST_SHEETS], 1))
    decisions = decisions_today(
        working,
        [d.machine for d in due],
        [ticket for ticket in book.now if ticket.is_open],
        settled=_settled(working, book.now, at, now.limits.usable_mm),
        today=at.astimezone(zone).date(),
    )
    sentence = summary_sentence(now.machines, None if first else _needing_work_before(before, book), len(due), accepted)
    weeks = weeks_ahead(healthy, at, zone)
    followed = any(m.drift is not None or m.forecast is not None or m.steps for m in now.machines)
    floor, quiet = at_tooth_floor(working, at, zone, accepted, beside), _unseen_machines(working, at)
    out = tuple(_out_of_service(m, zone) for m in now.machines if not m.in_service)
    became = None if first or not book.now else find_follow_ups(now, before, book, zone)
    in_short = follow_ups_in_short(became or ())
    told = FrontPageInput(
        changed=None if first else [row.machine for row in moved],
        due=[f"{shortened(row.machine)} ({row.day})" for row in due] if weeks or followed else None,
        floor=[row.machine for row in floor],
        unseen=[row.machine for row in quiet],
        out=[row.machine for row in out],
        follow_ups=in_short,
        in_progress=_in_progress(book.now),
        accepted=[_accepted_words(ticket, zone) for ticket in accepted.values()],
        past=past_in_parts(len(needing), len(accepted), len(floor)),
        run_where=run_where(farm.config),
    )
    page = fit_front_page(decisions, told, farm.name, sentence)
    shown = len(page.decisions)
    in_full = [(i, with_all_names(one)) for i, one in enumerate(decisions[:shown], 1)]
    return WeeklyView(
        farm=farm.name,
        week=str(farm.week),
        period=f"{day(farm.week.monday)} to {day(farm.week.sunday)}",
        as_of=clock(at, zone),
        running=at < farm.week.end(zone),
        first=first,
        zone=zone,
        limits=now.limits,
        sentence=sentence,
        counts=_counts(now.machines),
        ranges=tuple(
            (m.condition_range_mm, m.condition) for m in working if m.condition_range_mm is not None and _is_judged(m)
        ),
        past_made_of=told.past,
        decisions=page.decisions,
        decisions_foot=page.foot,
        decisions_in_full=tuple((i, one) for i, one in in_full if one.names != page.decisions[i - 1].names),
        decisions_behind=tuple(with_all_names(one) for one in decisions[shown:]),
        front=front_rows(_dated(sheets, needing, at, zone), page.room),
        highlights=page.highlights,
        needing_work=len(needing),
        follow_ups=became,
        follow_ups_in_short=in_short,
        figures=() if book.figures is None else figure_sentences(book.figures),
        sheets=sheets,
        changed=moved[:_CHANGES_SHOWN],
        changed_more=max(0, len(moved) - _CHANGES_SHOWN),
        due=due,
        repeats=repeated_faults(working, at, zone),
        weeks=weeks,
        followed=followed,
        floor=floor,
        unseen=quiet,
        out=out,
        fleet=_fleet(now.machines, {s.machine: s.rank for s in sheets}, beside, at),
    )


def _ticket_refs(book: TicketFacts, tickets: Mapping[str, Ticket], at: datetime, zone: tzinfo) -> dict[str, TicketRef]:
    """The ticket that stands beside each machine's name."""
    events: dict[int, list[TicketEvent]] = {}
    for event in book.events:
        events.setdefault(event.number, []).append(event)
    today = at.astimezone(zone).date()
    return {name: ticket_ref(t, events.get(t.number, ()), today, zone) for name, t in tickets.items()}


def _settled(machines: Sequence[Assessment], tickets: Sequence[Ticket], at: datetime, usable_mm: float) -> list[str]:
    """Machines for which a closed ticket has answered already: accepted, or as good as teeth allow and proven so."""
    mine: dict[str, list[Ticket]] = {}
    for ticket in tickets:
        mine.setdefault(ticket.machine, []).append(ticket)
    return [m.machine for m in machines if m.machine in mine and is_settled(m, mine[m.machine], at, usable_mm)]


def _needing_work_before(before: FleetAssessment, book: TicketFacts) -> int:
    """How many machines needed hands a week ago."""
    accepted = accepted_machines(before.machines, book.before, before.at)
    return len(machines_needing_work(before.machines, accepted))


def _in_progress(tickets: Sequence[Ticket]) -> list[str]:
    held = [t for t in tickets if t.phase in ("in-work", "proving") and t.cause != "host"]
    return [f"{shortened(t.machine)} (ticket {t.number}, {spaced(t.phase)})" for t in held]


def _accepted_words(ticket: Ticket, zone: tzinfo) -> str:
    limit = "" if ticket.accepted_limit_mm is None else f"up to {mm(ticket.accepted_limit_mm, 2)} mm"
    until = "" if ticket.accepted_until is None else f"until {day_of(ticket.accepted_until, zone)}"
    said = " ".join(part for part in (limit, until) if part)
    return f"{shortened(ticket.machine)} ({said})" if said else shortened(ticket.machine)


def _is_judged(machine: Assessment) -> bool:
    """Whether the mesh that is shown is the one its condition comes from."""
    return machine.reading is not None and machine.reading.judged


def _dated(
    sheets: Sequence[WorkSheet], machines: Sequence[Assessment], at: datetime, zone: tzinfo
) -> list[tuple[WorkSheet, str]]:
    """Each sheet with the day on which it began, the year only where it is another one."""
    since = ("" if m.since is None else day_of(m.since, zone, year=m.since.year != at.year) for m in machines)
    return list(zip(sheets, since, strict=False))


def _counts(machines: Sequence[Assessment]) -> tuple[tuple[str, int], ...]:
    """The fleet by condition; machines out of service stand apart."""
    working = [m for m in machines if m.in_service]
    rows = [(c, sum(m.condition == c for m in working)) for c in ("past-limit", "usable", "ideal", "unknown")]
    return (*rows, ("out", len(machines) - len(working)))


def _unseen_machines(machines: Sequence[Assessment], at: datetime) -> tuple[UnseenMachine, ...]:
    """Silent hosts first, then old meshes, then machines that never sent one, then meshes in doubt."""
    found = []
    for m in machines:
        why = []
        if host_at_fault(m):
            said = ": ".join(word for word in (spaced(m.last_outcome or ""), m.last_reason) if word)
            what = "the host is silent" if m.silent else "the host gives nothing that can be used"
            why.append(f"{what} ({said})" if said else what)
        if m.reading is None:
            why.append("never sent a mesh")
        elif m.mesh_old:
            why.append("the mesh is old; its condition stands")
        if m.reading is not None and not m.reading.judged:
            why.append(f"the newest mesh is shown, not judged: {m.reading.why_not_judged or 'it cannot be'}")
        why += m.warnings
        if why:
            found.append((not m.silent, not m.mesh_old, m.reading is not None, _unseen(m, tuple(why), at)))
    return tuple(row for *_, row in sorted(found, key=lambda item: item[:3]))


def _unseen(machine: Assessment, why: tuple[str, ...], at: datetime) -> UnseenMachine:
    answered = "has no host" if not machine.has_host else "never"
    if machine.host_answered_at is not None:
        answered = ago(machine.host_answered_at, at)
    return UnseenMachine(
        machine=machine.machine,
        aisle=machine.aisle,
        condition=machine.condition,
        mesh="none" if machine.reading is None else ago(machine.reading.taken_at, at),
        answered=answered,
        why=why,
    )


def _out_of_service(machine: Assessment, zone: tzinfo) -> OutOfService:
    until = "until somebody brings it back" if machine.out_until is None else day_of(machine.out_until, zone)
    return OutOfService(machine=machine.machine, aisle=machine.aisle, reason=machine.out_reason, until=until)


def _fleet(
    machines: Sequence[Assessment], ranks: Mapping[str, int], tickets: Mapping[str, TicketRef], at: datetime
) -> tuple[FleetRow, ...]:
    return tuple(
        FleetRow(
            machine=m.machine,
            aisle=m.aisle,
            model=m.model.name,
            in_service=m.in_service,
            condition=m.condition,
            confirmed=m.confirmed,
            range_mm=m.condition_range_mm,
            flatness_mm=m.form.flatness_mz_mm if m.form is not None else None,
            tooth_floor_mm=m.tooth_floor_mm,
            cause="" if m.cause == "none" else cause_phrase(m),
            advice=advice_phrase(m.advice),
            mesh="none" if m.reading is None else ago(m.reading.taken_at, at).removesuffix(" ago"),
            judged=m.reading is None or m.reading.judged,
            history=range_history(m, at),
            rank=ranks.get(m.machine),
            ticket=tickets.get(m.machine),
        )
        for m in machines
    )
