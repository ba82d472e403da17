"""What the farm learns from its tickets: how long repairs hold, how often we were right, hands and parts needed.

Pure: tickets, events and time in. Names of people never enter here; the figures are of machines and methods only.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from statistics import median
from typing import ClassVar

from farmwatch.tickets.durability import kaplan_meier
from farmwatch.tickets.past import not_undone
from farmwatch.tickets.ticket import NEEDS_TECHNICIAN, Ticket, TicketEvent
from farmwatch.times import rfc3339

__all__ = ["SCHEMA", "Durability", "Figures"]

SCHEMA = "farmwatch.ticket-figures/1"
RIGHT_WITHIN = timedelta(weeks=12)
CHECKED_WITHIN = timedelta(weeks=13)
DAY = 86400.0
# A ticket taken on Friday and closed on Monday was not worked on for three days.
LONGEST_WORK_HOURS = 12.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Durability:
    """How long the repairs of one model and method hold; `median_days` None where too few, or most still hold."""

    model: str
    method: str
    repairs: int
    ended: int
    followed_days: float = 0.0
    """How long they were followed in all: until the next ticket, or until now."""
    median_days: float | None
    still_holding_after_90_days: float | None
    stair: tuple[tuple[float, float, float, float], ...] = ()
    """Days, share that still holds from then on, and its 95 % interval: empty under `REPAIRS_NEEDED`."""
    longest_days: float = 0.0
    """How long the longest was followed."""

    REPAIRS_NEEDED: ClassVar[int] = 8
    """Under so many repairs nothing is said of how long they last."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Figures:
    """The figures at one time."""

    open_tickets: int
    durability: tuple[Durability, ...]
    first_try: tuple[int, int]
    """Proven at the first try, of how many decided."""
    checks: tuple[int, int] = (0, 0)
    """Checks of repairs within thirteen weeks: how many held, how many failed."""
    looked_at: tuple[int, int]
    """Confirmed at the machine, of how many flagged and looked at within twelve weeks."""
    hours_each: float | None
    """Median hours of work of a ticket at this farm; None where none was done yet."""
    hours_timed: int
    """How many works that median is of."""
    hours_open: float | None
    shims_open: tuple[tuple[float, int], ...]
    """Shims by thickness, mm, and how many, for the open work."""

    @classmethod
    def of(
        cls, tickets: Sequence[Ticket], events: Sequence[TicketEvent], models: Mapping[str, str], at: datetime
    ) -> Figures:
        """Figures from all tickets and events up to `at`; `models` gives each machine's model."""
        hands = [t for t in tickets if t.cause in NEEDS_TECHNICIAN and t.opened_at <= at]
        past = _standing(event for event in events if event.at <= at)
        hours = _hours(hands, at)
        waiting = [t for t in hands if t.phase in ("proposed", "approved", "in-work", "came-back")]
        each = median(hours) if hours else None
        return cls(
            open_tickets=sum(t.is_open for t in tickets if t.opened_at <= at),
            durability=_durability(hands, models, at),
            first_try=_first_try(past, {t.number for t in hands}),
            checks=_checks(past, {t.number for t in hands}, at),
            looked_at=_looked_at(past, {t.number for t in hands}, at),
            hours_each=each,
            hours_timed=len(hours),
            hours_open=None if each is None else each * len(waiting),
            shims_open=_shims(waiting),
        )

    def document(self, at: datetime) -> dict[str, object]:
        """The figures as `farmwatch.ticket-figures/1`."""
        return {
            "schema": SCHEMA,
            "at": rfc3339(at),
            "open_tickets": self.open_tickets,
            "durability": [
                {
                    "model": one.model,
                    "method": one.method,
                    "repairs": one.repairs,
                    "ended": one.ended,
                    "median_days": one.median_days,
                    "still_holding_after_90_days": one.still_holding_after_90_days,
                }
                for one in self.durability
            ],
            "proven_at_first_try": {"proven": self.first_try[0], "decided": self.first_try[1]},
            "confirmed_at_the_machine": {"confirmed": self.looked_at[0], "looked_at": self.looked_at[1]},
            "hours": {"each": self.hours_each, "timed": self.hours_timed, "open_work": self.hours_open},
            "shims": [{"mm": mm, "count": count} for mm, count in self.shims_open],
        }


def _standing(events: Iterable[TicketEvent]) -> list[TicketEvent]:
    """Of all tickets, the events that were not undone, in time order."""
    by_number: dict[int, list[TicketEvent]] = {}
    for event in events:
        by_number.setdefault(event.number, []).append(event)
    standing = [event for mine in by_number.values() for event in not_undone(mine)]
    return sorted(standing, key=lambda event: (event.at, event.number))


def _durability(hands: Sequence[Ticket], models: Mapping[str, str], at: datetime) -> tuple[Durability, ...]:
    spans: dict[tuple[str, str], list[tuple[float, bool]]] = {}
    for ticket in hands:
        if ticket.phase != "proven" or ticket.work_until is None or ticket.machine not in models:
            continue
        later = [t.opened_at for t in hands if t.machine == ticket.machine and t.opened_at > ticket.work_until]
        end = min(later, default=at)
        days = max((end - ticket.work_until).total_seconds() / DAY, 0.0)
        key = (models[ticket.machine], ticket.method or "other")
        spans.setdefault(key, []).append((days, bool(later)))
    return tuple(_survival(*key, found) for key, found in sorted(spans.items()))


def _survival(model: str, method: str, found: list[tuple[float, bool]]) -> Durability:
    enough = len(found) >= Durability.REPAIRS_NEEDED
    survival = kaplan_meier([days for days, _ in found], [ended for _, ended in found])
    followed = enough and max(days for days, _ in found) >= 90
    return Durability(
        model=model,
        method=method,
        repairs=len(found),
        ended=sum(ended for _, ended in found),
        followed_days=math.fsum(days for days, _ in found),
        median_days=survival.median if enough else None,
        still_holding_after_90_days=survival.at(90.0) if followed else None,
        stair=survival.stair() if enough else (),
        longest_days=max((days for days, _ in found), default=0.0),
    )


def _first_try(events: Sequence[TicketEvent], numbers: set[int]) -> tuple[int, int]:
    first: dict[int, str] = {}
    for event in events:
        if event.number in numbers and event.action in ("prove", "fail"):
            first.setdefault(event.number, event.action)
    return sum(action == "prove" for action in first.values()), len(first)


def _checks(events: Sequence[TicketEvent], numbers: set[int], at: datetime) -> tuple[int, int]:
    actions = Counter(event.action for event in events if event.number in numbers and at - event.at < CHECKED_WITHIN)
    return actions["prove"], actions["fail"]


def _looked_at(events: Sequence[TicketEvent], numbers: set[int], at: datetime) -> tuple[int, int]:
    ended: dict[int, str] = {}
    for event in events:
        recent = at - event.at <= RIGHT_WITHIN
        if recent and event.number in numbers and event.action in ("done", "nothing-found"):
            ended.setdefault(event.number, event.action)
    return sum(action == "done" for action in ended.values()), len(ended)


def _hours(hands: Sequence[Ticket], at: datetime) -> list[float]:
    spans = (
        (t.work_until - t.work_from).total_seconds() / 3600
        for t in hands
        if t.work_from is not None and t.work_until is not None and t.work_until <= at
    )
    return [hours for hours in spans if 0 <= hours <= LONGEST_WORK_HOURS]


def _shims(waiting: Sequence[Ticket]) -> tuple[tuple[float, int], ...]:
    count: Counter[float] = Counter()
    for ticket in waiting:
        shims = ticket.plan.get("shims_mm", {}) if "shim" in ticket.advice else {}
        count.update(round(mm, 3) for mm in shims.values() if mm > 0)
    return tuple(sorted(count.items()))
