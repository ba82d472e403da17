"""The wall: aisles with their ranges, today's work and who does it, the last day; read at five metres."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from flask import Response

from farmwatch.judge import Assessment
from farmwatch.judge.words import screw_words
from farmwatch.pages import words
from farmwatch.pages.app import reader, source
from farmwatch.pages.fleet import is_in_need
from farmwatch.pages.look import page
from farmwatch.pages.read import Snapshot
from farmwatch.tickets import TicketEvent, TicketRepository

__all__ = ["wall"]

# At five metres a letter of 20 mm is read with ease; a screen of common size has no room for more lines of them.
CELLS = 45
WORK_LINES, EVENT_LINES = 6, 5
SINCE = timedelta(hours=24)
_GO_ON = ("in-work", "approved", "came-back", "proving")
_TOLD = ("propose", "take", "done", "prove", "fail", "accept", "nothing-found")


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """One machine on the plan."""

    name: str
    mark: str
    range_mm: float | None
    in_need: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Aisle:
    """One aisle: the machines that are drawn, and how many sound ones are only counted."""

    name: str
    cells: tuple[Cell, ...]
    counted: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """One ticket of today."""

    machine: str
    what: str
    state: str
    owner: str
    late: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """One thing of the last day."""

    at: datetime
    words: str


def wall() -> Response:
    """The farm at a glance."""
    found = reader().snapshot()
    if found.fleet is None or found.groups is None:
        return page("first.html", found=found)
    accepted = found.groups.accepted
    needing = {m.machine for m in found.fleet.machines if is_in_need(m, found, accepted)}
    jobs = _jobs(found)
    return page(
        "wall.html",
        found.key,
        found=found,
        aisles=_aisles(found.fleet.machines, needing),
        counts=Counter("out" if not m.in_service else m.condition for m in found.fleet.machines),
        needing=len(needing),
        jobs=jobs[:WORK_LINES],
        more=max(0, len(jobs) - WORK_LINES),
        events=_events(found),
        stale=words.stale(found.judged_at, found.at),
    )


def _aisles(machines: Sequence[Assessment], needing: set[str]) -> list[Aisle]:
    """By aisle, in the order of the configuration; a farm too large for the plan counts its sound machines."""
    counts_sound = len(machines) > CELLS
    named: dict[str, list[Assessment]] = {}
    for machine in machines:
        named.setdefault(machine.aisle, []).append(machine)
    room = max(1, CELLS // len(named)) if counts_sound else len(machines)
    aisles = []
    for name, here in named.items():
        drawn = sorted((m for m in here if m.machine in needing), key=_worst) if counts_sound else here
        cells = tuple(
            Cell(
                name=_short(m.machine, name),
                mark=m.condition if m.in_service else "out",
                range_mm=m.condition_range_mm,
                in_need=m.machine in needing,
            )
            for m in drawn[:room]
        )
        aisles.append(Aisle(name=name, cells=cells, counted=len(here) - len(cells)))
    return aisles


def _worst(machine: Assessment) -> tuple[float, str]:
    return -(machine.condition_range_mm or 0.0), machine.machine


def _short(name: str, aisle: str) -> str:
    """A machine's name without its aisle's, which stands before the row."""
    rest = name.removeprefix(aisle).lstrip("-_ ") if aisle else name
    return rest or name


def _jobs(found: Snapshot) -> list[Job]:
    """What is at the bench, then what is due by today, the longest overdue first."""
    today = found.at.astimezone(found.settings.farm.timezone).date()
    out = {m.machine for m in found.fleet.machines if not m.in_service} if found.fleet is not None else set()
    open_ = [t for t in found.tickets if t.phase in _GO_ON and t.machine not in out]
    due = [t for t in open_ if t.phase in ("in-work", "proving") or (t.due is not None and t.due <= today)]
    due.sort(key=lambda t: (t.phase != "in-work", t.phase == "proving", t.due or today, t.machine))
    owners = {m.machine: m.ticket.owner for m in found.fleet.machines if m.ticket} if found.fleet is not None else {}
    return [
        Job(
            machine=t.machine,
            what="do not turn; probe hot" if t.phase == "proving" else words.work(t.advice),
            state=words.PHASE_WORDS[t.phase],
            owner=owners.get(t.machine, ""),
            late=t.phase != "proving" and t.due is not None and t.due < today,
        )
        for t in due
    ]


def _events(found: Snapshot) -> list[Event]:
    """The last day's, the newest first: what jumped, and what was done with tickets."""
    since = found.at - SINCE
    events = [
        Event(at=step.at, words=_jump(m.machine, step.screw, step.teeth))
        for m in (found.fleet.machines if found.fleet is not None else ())
        for step in m.steps
        if step.name == "tooth-jump" and since <= step.at <= found.at
    ]
    machines = {ticket.number: ticket.machine for ticket in found.tickets}
    events += [
        Event(at=event.at, words=_done(event, machines[event.number]))
        for event in TicketRepository(source().store).events()
        if since <= event.at <= found.at and event.action in _TOLD and event.number in machines
    ]
    return sorted(events, key=lambda event: event.at, reverse=True)[:EVENT_LINES]


def _jump(machine: str, screw: str | None, teeth: int | None) -> str:
    where = "a screw" if screw is None else screw_words(screw)
    by = "" if not teeth else " by 1 tooth" if abs(teeth) == 1 else f" by {abs(teeth)} teeth"
    return f"{machine}: {where} jumped{by}"


def _done(event: TicketEvent, machine: str) -> str:
    who = "" if event.by_program or not event.by else f", {event.by}"
    return f"{machine}: {words.action(event.action)}{who}"
