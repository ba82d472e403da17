"""What a report says of some machines, in figures that add up: those of the parts of a farm, or of a company's sites.

Pure. A sum is exact (`math.fsum`), so that it is the same whatever was added first.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, tzinfo

from farmwatch.judge import FleetAssessment
from farmwatch.judge.assessment import Condition
from farmwatch.report.groups import sort_machines
from farmwatch.report.labour import count_parts, find_labour, parts_in_words
from farmwatch.report.quarter import WeekCounts, count_weeks
from farmwatch.report.ticket_facts import TicketFacts
from farmwatch.report.upcoming import weeks_ahead
from farmwatch.tickets import Ticket

__all__ = ["Sums", "Work", "added", "sums_of"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Work:
    """The open work that begins with one kind: jobs, hours, and whether those rest on jobs timed at the site."""

    jobs: int
    hours: float
    timed: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Sums:
    """Figures of some machines at a week's end."""

    machines: int = 0
    working: int = 0
    """In service."""
    conditions: Mapping[str, int] = field(default_factory=dict)
    """Of those in service."""
    working_before: int = 0
    past_before: int = 0
    """The same a week before."""
    needing: int = 0
    awaiting: int = 0
    accepted: int = 0
    at_floor: int = 0
    opened: int = 0
    closed: int = 0
    held: int = 0
    """Repairs that passed their check within a quarter."""
    failed: int = 0
    work: Mapping[str, Work] = field(default_factory=dict)
    shims: Mapping[float, int] = field(default_factory=dict)
    plates: int = 0
    for_two: int = 0
    ahead: tuple[tuple[str, float], ...] = ()
    """The next weeks by name, and how many machines are expected to pass the limit in each."""
    quarter: tuple[WeekCounts, ...] = ()
    silent: int = 0
    old: int = 0
    """Machines in service whose newest mesh is old, or that never sent one."""
    newest: datetime | None = None
    """When the newest mesh was taken."""

    @property
    def past(self) -> int:
        """Machines in service past the limit."""
        return self.conditions.get("past-limit", 0)

    @property
    def share_past(self) -> float | None:
        """Their share of those whose condition is known."""
        known = self.working - self.conditions.get("unknown", 0)
        return self.past / known if known else None

    @property
    def hours(self) -> float:
        """Hours of the open work."""
        return math.fsum(work.hours for work in self.work.values())

    @property
    def parts(self) -> str:
        """Shims and plates in words; empty where none is needed."""
        return parts_in_words(self.shims, self.plates)


def sums_of(
    now: FleetAssessment, before: FleetAssessment, book: TicketFacts, timed: Sequence[Ticket], zone: tzinfo
) -> Sums:
    """Figures of the machines of `now`, against `before`, a week earlier.

    book: the tickets of these machines. timed: all tickets of the farm; jobs take the hours that they show.
    """
    groups, was = sort_machines(now, book.now), sort_machines(before, book.before)
    labour = find_labour(groups.needing, groups.floor, timed, now.at)
    shims, plates = count_parts(groups.needing)
    beds = [ticket for ticket in book.now if ticket.cause != "host"]
    healthy = [m for m in groups.working if m.condition != "past-limit"]
    times = [m.reading.taken_at for m in now.machines if m.reading is not None]
    held, failed = book.figures.checks if book.figures else (0, 0)
    return Sums(
        machines=len(now.machines),
        working=len(groups.working),
        conditions=dict(Counter(m.condition for m in groups.working)),
        working_before=len(was.working),
        past_before=was.past,
        needing=len(groups.needing),
        awaiting=len(groups.awaiting),
        accepted=len(groups.accepted),
        at_floor=len(groups.floor),
        opened=sum(before.at < ticket.opened_at <= now.at for ticket in beds),
        closed=sum(ticket.closed_at is not None and before.at < ticket.closed_at <= now.at for ticket in beds),
        held=held,
        failed=failed,
        work={row.work: Work(jobs=row.jobs, hours=row.hours, timed=row.timed) for row in labour.rows},
        shims=dict(shims),
        plates=plates,
        for_two=labour.for_two,
        ahead=tuple((week.name, week.expected) for week in weeks_ahead(healthy, now.at, zone)),
        quarter=count_weeks(now, book.events, zone),
        silent=sum(m.silent for m in groups.working),
        old=sum(m.mesh_old or m.reading is None for m in groups.working),
        newest=max(times, default=None),
    )


def added(parts: Sequence[Sums]) -> Sums:
    """All of them together; the same in any order."""
    plain = ("machines", "working", "working_before", "past_before", "needing", "awaiting", "accepted", "at_floor",
             "opened", "closed", "held", "failed", "plates", "for_two", "silent", "old")  # fmt: skip
    conditions: Counter[str] = Counter()
    shims: Counter[float] = Counter()
    for part in parts:
        conditions.update(part.conditions)
        shims.update(part.shims)
    kinds = {kind: [part.work[kind] for part in parts if kind in part.work] for part in parts for kind in part.work}
    times = [part.newest for part in parts if part.newest is not None]
    return Sums(
        **{name: sum(getattr(part, name) for part in parts) for name in plain},
        conditions=dict(sorted(conditions.items())),
        shims=dict(sorted(shims.items())),
        work={kind: _together(rows) for kind, rows in sorted(kinds.items())},
        ahead=_ahead(parts),
        quarter=_quarter(parts),
        newest=max(times, default=None),
    )


def _together(rows: Sequence[Work]) -> Work:
    return Work(
        jobs=sum(row.jobs for row in rows),
        hours=math.fsum(row.hours for row in rows),
        timed=all(row.timed for row in rows),
    )


def _ahead(parts: Sequence[Sums]) -> tuple[tuple[str, float], ...]:
    """Week by week from the first: sites whose week is named otherwise (another zone) stand under the first's name."""
    some = [part.ahead for part in parts if part.ahead]
    return tuple((weeks[0][0], math.fsum(expected for _, expected in weeks)) for weeks in zip(*some, strict=True))


def _quarter(parts: Sequence[Sums]) -> tuple[WeekCounts, ...]:
    found = []
    for weeks in zip(*[part.quarter for part in parts if part.quarter], strict=True):
        conditions: Counter[Condition] = Counter()
        for week in weeks:
            conditions.update(week.conditions)
        found.append(
            WeekCounts(
                name=weeks[0].name,
                conditions=dict(sorted(conditions.items())),
                repairs=sum(week.repairs for week in weeks),
                jumps=sum(week.jumps for week in weeks),
            )
        )
    return tuple(found)
