"""The weekly view: everything the report says, as plain values. Pure: (now, the week before, farm) -> view."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo

from farmwatch.judge.assessment import Assessment, Condition, FleetAssessment
from farmwatch.model import Limits
from farmwatch.report.ahead import Due, WeekAhead, due_machines, weeks_ahead
from farmwatch.report.charts import History
from farmwatch.report.decide import Decision, decisions_today
from farmwatch.report.hands import AtFloor, Sheet, at_tooth_floor, history_of, machines_needing_hands, sheet
from farmwatch.report.moved import Moved, Repeat, moved_machines, repeat_offenders
from farmwatch.report.text import ago, clock, count, day, day_of, mm, spaced
from farmwatch.report.week import Week
from farmwatch.report.words import advice_line, cause_line

__all__ = [
    "MOST_SHEETS", "FarmFacts", "FleetRow", "FrontRow", "Out", "Quiet", "WeeklyView", "weekly_view",
]  # fmt: skip

MOST_SHEETS = 24
"""Sheets that are drawn in full; on a farm with more, the rest stands in the table of the whole fleet."""

# Lines of text that the first page has room for in its two lists, with some air; measured in print on A4.
_FRONT_LINES = 34
_WHAT_WIDTH, _COMMAND_WIDTH = 50, 44
_CAUSE_WIDTH, _ADVICE_WIDTH, _NAME_WIDTH = 30, 30, 16
_FRONT_MACHINES = 10
_MOVED_SHOWN = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class FarmFacts:
    """Whose report it is and of which week."""

    name: str
    zone: tzinfo
    week: Week


@dataclass(frozen=True, slots=True, kw_only=True)
class Quiet:
    """A machine whose mesh is old, whose host is silent, that never sent a mesh or whose mesh is in doubt."""

    machine: str
    aisle: str
    condition: str
    mesh: str
    answered: str
    why: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Out:
    """A machine out of service."""

    machine: str
    aisle: str
    reason: str
    until: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FrontRow:
    """One line of the first page's list of machines that need hands."""

    rank: int
    machine: str
    aisle: str
    range_mm: float
    cause: str
    confirmed: bool
    advice: str
    reach: str
    since: str


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
    history: History | None
    rank: int | None
    """Number of the machine's sheet, where it has one."""


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
    decisions: tuple[Decision, ...]
    front: tuple[FrontRow, ...]
    hands: int
    sheets: tuple[Sheet, ...]
    moved: tuple[Moved, ...]
    moved_more: int
    due: tuple[Due, ...]
    repeats: tuple[Repeat, ...]
    weeks: tuple[WeekAhead, ...]
    followed: bool
    """Some machine's history says something: steps, drift or a forecast."""
    floor: tuple[AtFloor, ...]
    quiet: tuple[Quiet, ...]
    out: tuple[Out, ...]
    fleet: tuple[FleetRow, ...]


def weekly_view(now: FleetAssessment, before: FleetAssessment, farm: FarmFacts) -> WeeklyView:
    """What the report of `farm.week` says: the farm at the week's end, and against a week before."""
    zone, at = farm.zone, now.at
    working = tuple(m for m in now.machines if m.in_service)
    needing = machines_needing_hands(working)
    healthy = tuple(m for m in working if m.condition != "past-limit")
    first = all(m.reading is None for m in before.machines)
    due = due_machines(healthy, at, zone)
    moved = () if first else moved_machines(now, before, zone)
    sheets = tuple(sheet(m, rank, at, zone) for rank, m in enumerate(needing[:MOST_SHEETS], 1))
    decisions = decisions_today(working, [d.machine for d in due])
    quiet = _quiet_machines(working, at)
    running = at < farm.week.end(zone)
    return WeeklyView(
        farm=farm.name,
        week=str(farm.week),
        period=f"{day(farm.week.monday)} to {day(farm.week.sunday)}",
        as_of=clock(at, zone),
        running=running,
        first=first,
        zone=zone,
        limits=now.limits,
        sentence=_sentence(now.machines, working, needing, None if first else before, len(due)),
        counts=_counts(now.machines),
        ranges=tuple((m.range_mm, m.condition) for m in working if m.range_mm is not None),
        decisions=decisions,
        front=_front(needing, decisions, at, zone),
        hands=len(needing),
        sheets=sheets,
        moved=moved[:_MOVED_SHOWN],
        moved_more=max(0, len(moved) - _MOVED_SHOWN),
        due=due,
        repeats=repeat_offenders(working, at, zone),
        weeks=weeks_ahead(healthy, at, zone),
        followed=any(m.drift is not None or m.forecast is not None or m.steps for m in now.machines),
        floor=at_tooth_floor(working, at, zone),
        quiet=quiet,
        out=tuple(_out(m, zone) for m in now.machines if not m.in_service),
        fleet=_fleet(now.machines, {s.machine: s.rank for s in sheets}, at),
    )


def _sentence(
    everyone: Sequence[Assessment],
    working: Sequence[Assessment],
    needing: Sequence[Assessment],
    before: FleetAssessment | None,
    due: int,
) -> str:
    """This week in one sentence."""
    if not everyone:
        return "No machine is configured yet, so there is nothing to report."
    known = [m for m in working if m.condition != "unknown"]
    if not known:
        return f"None of the {count(len(everyone), 'machine')} has a mesh that can be judged yet."
    if needing:
        worst = needing[0]
        verb = "needs" if len(needing) == 1 else "need"
        head = f"{len(needing):,} of {count(len(working), 'machine')} {verb} hands{_against(len(needing), before)}"
        head += f"; the worst is {worst.machine} with a range of {mm(worst.range_mm or 0.0)} mm"
    else:
        head = _nobody(working, known)
    tails = []
    if due:
        more = "more " if needing else ""
        tails.append(f"{due:,} {more}{'is' if due == 1 else 'are'} due within four weeks")
    silent = sum(m.silent for m in working)
    if silent:
        tails.append(f"{count(silent, 'host is', 'hosts are')} silent")
    return "; ".join([head, *tails]) + "."


def _nobody(working: Sequence[Assessment], known: Sequence[Assessment]) -> str:
    floor = sum(m.condition == "past-limit" for m in known)
    within = len(known) - floor
    everyone = "The one machine" if len(working) == 1 else f"All {len(working):,} machines"
    if within == len(working):
        verb = "is" if within == 1 else "are"
        return f"No machine needs hands: {everyone[0].lower()}{everyone[1:]} in service {verb} within the usable limit"
    verb = "is" if within == 1 else "are"
    parts = [f"{within:,} of {count(len(working), 'machine')} in service {verb} within the limit"]
    if floor:
        parts.append(f"{floor:,} {'is' if floor == 1 else 'are'} as good as teeth allow")
    missing = len(working) - len(known)
    if missing:
        parts.append(f"{missing:,} {'has' if missing == 1 else 'have'} no mesh to judge")
    return "No machine needs its screws turned: " + ", ".join(parts)


def _against(hands: int, before: FleetAssessment | None) -> str:
    if before is None:
        return ""
    was = len(machines_needing_hands(before.machines))
    if was == hands:
        return ", as many as a week ago"
    return f", {abs(hands - was):,} {'more' if hands > was else 'fewer'} than a week ago"


def _counts(machines: Sequence[Assessment]) -> tuple[tuple[str, int], ...]:
    """The fleet by condition; machines out of service stand apart."""
    working = [m for m in machines if m.in_service]
    rows = [(c, sum(m.condition == c for m in working)) for c in ("past-limit", "usable", "ideal", "unknown")]
    return (*rows, ("out", len(machines) - len(working)))


def _front(
    needing: Sequence[Assessment], decisions: Sequence[Decision], at: datetime, zone: tzinfo
) -> tuple[FrontRow, ...]:
    """As many of the machines that need hands as the first page has room for."""
    left = _FRONT_LINES - sum(
        1 + max((len(d.what) + len(d.names) + 3) // _WHAT_WIDTH, (len(d.command) + len(d.then) + 3) // _COMMAND_WIDTH)
        for d in decisions
    )
    rows: list[FrontRow] = []
    for rank, machine in enumerate(needing[:_FRONT_MACHINES], 1):
        whole = sheet(machine, rank, at, zone)
        lines = 1 + max(
            len(whole.cause) // _CAUSE_WIDTH,
            len(whole.advice) // _ADVICE_WIDTH,
            (len(machine.machine) + len(machine.aisle) + 1) // _NAME_WIDTH,
        )
        left -= lines
        if left < 0 and rows:
            break
        rows.append(
            FrontRow(
                rank=rank,
                machine=machine.machine,
                aisle=machine.aisle,
                range_mm=whole.range_mm,
                cause=whole.cause,
                confirmed=machine.confirmed,
                advice=whole.advice,
                reach=mm(whole.stages[-1][1]) if whole.stages else "",
                since="" if machine.since is None else day_of(machine.since, zone, year=False),
            )
        )
    return tuple(rows)


def _quiet_machines(machines: Sequence[Assessment], at: datetime) -> tuple[Quiet, ...]:
    """Silent hosts first, then old meshes, then machines that never sent one, then meshes in doubt."""
    found = []
    for m in machines:
        why = []
        if m.silent or "check-host" in m.advice:
            said = ": ".join(word for word in (spaced(m.last_outcome or ""), m.last_reason) if word)
            why.append(f"the host is silent ({said})" if said else "the host is silent")
        if m.reading is None:
            said = ": ".join(word for word in (spaced(m.last_outcome or ""), m.last_reason) if word)
            why.append("never sent a mesh" if m.silent or not said else f"never sent a mesh ({said})")
        elif m.mesh_old:
            why.append("the mesh is old; its condition stands")
        if m.reading is not None and not m.reading.judged:
            why.append(f"the newest mesh is shown, not judged: {m.reading.why_not_judged or 'it cannot be'}")
        why += m.warnings
        if why:
            found.append((not m.silent, not m.mesh_old, m.reading is not None, _quiet(m, tuple(why), at)))
    return tuple(row for *_, row in sorted(found, key=lambda item: item[:3]))


def _quiet(machine: Assessment, why: tuple[str, ...], at: datetime) -> Quiet:
    answered = "has no host" if not machine.has_host else "never"
    if machine.host_answered_at is not None:
        answered = ago(machine.host_answered_at, at)
    return Quiet(
        machine=machine.machine,
        aisle=machine.aisle,
        condition=machine.condition,
        mesh="none" if machine.reading is None else ago(machine.reading.taken_at, at),
        answered=answered,
        why=why,
    )


def _out(machine: Assessment, zone: tzinfo) -> Out:
    until = "until somebody brings it back" if machine.out_until is None else day_of(machine.out_until, zone)
    return Out(machine=machine.machine, aisle=machine.aisle, reason=machine.out_reason, until=until)


def _fleet(machines: Sequence[Assessment], ranks: dict[str, int], at: datetime) -> tuple[FleetRow, ...]:
    return tuple(
        FleetRow(
            machine=m.machine,
            aisle=m.aisle,
            model=m.model.name,
            in_service=m.in_service,
            condition=m.condition,
            confirmed=m.confirmed,
            range_mm=m.range_mm,
            flatness_mm=m.form.flatness_mz_mm if m.form is not None else None,
            tooth_floor_mm=m.tooth_floor_mm,
            cause="" if m.cause == "none" else cause_line(m),
            advice=advice_line(m),
            mesh="none" if m.reading is None else ago(m.reading.taken_at, at).removesuffix(" ago"),
            history=history_of(m, at),
            rank=ranks.get(m.machine),
        )
        for m in machines
    )
