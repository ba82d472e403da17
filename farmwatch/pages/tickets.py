"""The tickets: by what each waits for, the first due on top; the due work as a calendar."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from flask import Response, request

from farmwatch.pages.app import reader
from farmwatch.pages.look import page
from farmwatch.pages.read import Snapshot
from farmwatch.tickets import Ticket
from farmwatch.tickets.calendar import due_work

__all__ = ["calendar", "tickets"]

CLOSED_SHOWN = 40
CLOSED_WITHIN = timedelta(days=60)


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One ticket in the list, with today's numbers."""

    of: Ticket
    owner: str
    late: bool
    range_mm: float | None
    """As it is judged now; of a closed ticket, or where nothing is known of the machine, as it was written."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """Tickets that wait for the same; `title` says for what, `acts` is what several of them can be at once."""

    key: str
    title: str
    lines: tuple[Line, ...]
    acts: tuple[str, ...] = ()


def tickets() -> Response:
    """Every open ticket, and what was closed of late."""
    found = reader().snapshot()
    aisle = request.args.get("aisle")
    here = _of_aisle(found, aisle)
    groups = _groups(found, here)
    closed = [t for t in here if not t.is_open and t.phase != "accepted" and _closed_lately(t, found.at)]
    accepted = [t for t in here if t.phase == "accepted"]
    return page(
        "tickets.html",
        found=found,
        groups=groups,
        accepted=accepted,
        closed=sorted(closed, key=lambda t: t.closed_at or t.changed_at, reverse=True)[:CLOSED_SHOWN],
        aisle=aisle,
        aisles=list(dict.fromkeys(m.aisle for m in found.settings.machines if m.aisle)),
    )


def calendar() -> Response:
    """The due work as RFC 5545, for a calendar that asks now and then."""
    found = reader().snapshot()
    answer = Response(due_work(found.settings, found.tickets), content_type="text/calendar; charset=utf-8")
    answer.headers["Content-Disposition"] = 'inline; filename="due-work.ics"'
    return answer


def _of_aisle(found: Snapshot, aisle: str | None) -> list[Ticket]:
    if aisle is None:
        return list(found.tickets)
    names = {machine.name for machine in found.settings.machines if machine.aisle == aisle}
    return [ticket for ticket in found.tickets if ticket.machine in names]


def _closed_lately(ticket: Ticket, at: datetime) -> bool:
    return ticket.closed_at is not None and at - ticket.closed_at <= CLOSED_WITHIN


def _groups(found: Snapshot, tickets: Sequence[Ticket]) -> list[Group]:
    today = found.at.astimezone(found.settings.farm.timezone).date()
    lines = sorted((_line(ticket, found, today) for ticket in tickets if ticket.is_open), key=_first_due)
    late = [line for line in lines if line.late and line.of.phase in ("approved", "in-work")]
    groups = [
        Group(
            key="approve",
            title="To approve",
            lines=tuple(line for line in lines if line.of.phase in ("proposed", "came-back")),
            acts=("approve", "withdraw"),
        ),
        Group(key="late", title="Overdue", lines=tuple(late), acts=("take", "put-back")),
        Group(
            key="ready",
            title="Approved, to be taken",
            lines=tuple(line for line in lines if line.of.phase == "approved" and line not in late),
            acts=("take", "withdraw"),
        ),
        Group(
            key="bench",
            title="At the bench",
            lines=tuple(line for line in lines if line.of.phase == "in-work" and line not in late),
            acts=("done", "put-back"),
        ),
        Group(
            key="check",
            title="Awaiting their check: do not turn",
            lines=tuple(line for line in lines if line.of.phase == "proving"),
        ),
    ]
    return [group for group in groups if group.lines]


def _line(ticket: Ticket, found: Snapshot, today: date) -> Line:
    machine = found.machine(ticket.machine)
    owner = machine.ticket.owner if machine is not None and machine.ticket is not None else ""
    late = ticket.due is not None and ticket.due < today and ticket.phase != "proving"
    now = machine.condition_range_mm if machine is not None and ticket.is_open and ticket.cause != "host" else None
    return Line(of=ticket, owner=owner, late=late, range_mm=ticket.range_mm if now is None else now)


def _first_due(line: Line) -> tuple[date, int, int]:
    return line.of.due or date.max, line.of.priority, line.of.number
