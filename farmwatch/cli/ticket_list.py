"""The list of tickets on a screen: what is to be done first on top."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

from farmwatch.cli.screen import echo, paragraph, table, width
from farmwatch.text import clock, day, day_of, mm
from farmwatch.tickets import Proof, Ticket

__all__ = ["accepted_phrase", "show_tickets", "time_phrase"]

_ROOM_FOR_WORK, _ROOM_FOR_CAUSE = 76, 60


def show_tickets(
    tickets: Sequence[Ticket], proofs: Mapping[int, Proof], now: datetime, zone: ZoneInfo, order: str = "due"
) -> None:
    """The list; `proofs` by number, of those in proving. order: what stands first, else the first due."""
    if not tickets:
        echo("no ticket is open; `farmwatch ticket list --all` shows those that are closed")
        return
    broad, today = width(), now.astimezone(zone).date()
    columns = [("no.", True), ("machine", False), ("phase", False), ("due", False), ("range", True)]
    left_out = [*(["cause"] if broad < _ROOM_FOR_CAUSE else []), *(["work"] if broad < _ROOM_FOR_WORK else [])]
    columns += [(name, False) for name in ("cause", "work") if name not in left_out]
    rows = []
    for ticket in sorted(sorted(tickets, key=_order), key=_ORDERS.get(order, lambda _: 0)):
        proof = proofs.get(ticket.number)
        cells = {"cause": ticket.cause, "work": _work(ticket)}
        row = [str(ticket.number), ticket.machine, _phase(ticket, proof), _due(ticket, proof, now, zone, today)]
        row += [_range(ticket, proof), *(cells[name] for name in cells if name not in left_out)]
        rows.append(row)
    table(columns, rows, lambda number: rows[number][2] == "came-back")
    echo()
    if order == "due":
        paragraph("The first due stands on top; what is in proving waits for probings alone and stands below.", hang=2)
    if left_out:
        paragraph(f"Wider screens show {' and '.join(left_out)} too.", hang=2)


_ORDERS: dict[str, Callable[[Ticket], Any]] = {
    "machine": lambda ticket: ticket.machine,
    "range": lambda ticket: -(ticket.range_mm or 0.0),
    "number": lambda ticket: ticket.number,
}


def _order(ticket: Ticket) -> tuple[bool, bool, float, date, int, int]:
    closed = 0.0 if ticket.is_open or ticket.closed_at is None else -ticket.closed_at.timestamp()
    due = ticket.due if ticket.is_open and ticket.due is not None else date.max
    return not ticket.is_open, ticket.phase == "proving", closed, due, ticket.priority, ticket.number


def _work(ticket: Ticket) -> str:
    if ticket.phase != "proving":
        return ", ".join(ticket.asks)
    return "" if ticket.cause == "host" else "do not turn"


def _phase(ticket: Ticket, proof: Proof | None) -> str:
    if ticket.phase != "proving" or proof is None:
        return ticket.phase
    return f"proving, {len(proof.verdict.index)} of {proof.wanted}"


def _due(ticket: Ticket, proof: Proof | None, now: datetime, zone: ZoneInfo, today: date) -> str:
    if ticket.phase == "accepted":
        return accepted_phrase(ticket, zone)
    if ticket.phase == "proving":
        if proof is None or proof.next_from is None or proof.next_from <= now:
            return "next answer" if ticket.cause == "host" else "next mesh"
        return f"mesh from {time_phrase(proof.next_from, now, zone)}"
    if ticket.due is None or not ticket.is_open:
        return ""
    return f"{day(ticket.due, year=False)}{', late' if ticket.due < today else ''}"


def _range(ticket: Ticket, proof: Proof | None) -> str:
    range_mm = ticket.range_mm if ticket.is_open or ticket.closed_range_mm is None else ticket.closed_range_mm
    if ticket.phase == "proving":
        # What it was before the work is no longer so; what it is, the next probing tells.
        range_mm = None if proof is None else proof.now_mm
    return "" if range_mm is None else mm(range_mm, 2)


def accepted_phrase(ticket: Ticket, zone: ZoneInfo) -> str:
    """Up to what range a machine is accepted, and how long: "at any range, with no end"."""
    up_to = "at any range" if ticket.accepted_limit_mm is None else f"up to {ticket.accepted_limit_mm:g} mm"
    until = "with no end" if ticket.accepted_until is None else f"until {day_of(ticket.accepted_until, zone)}"
    return f"{up_to}, {until}"


def time_phrase(moment: datetime, now: datetime, zone: ZoneInfo) -> str:
    """Farm time of a moment, with its day where that is not today: 13:53."""
    there = moment.astimezone(zone)
    return f"{there:%H:%M}" if there.date() == now.astimezone(zone).date() else clock(moment, zone)
