"""A ticket as JSON: `farmwatch.ticket/1`, for programs of the farm's own."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

from farmwatch.judge.cautions import CAUTIONS, CAUTIONS_FOOT
from farmwatch.tickets.phases import OPEN
from farmwatch.tickets.ticket import Ticket, TicketEvent

__all__ = ["SCHEMA", "cautions_of", "event_document", "ticket_document"]

SCHEMA = "farmwatch.ticket/1"


def ticket_document(ticket: Ticket) -> dict[str, Any]:
    """The ticket as plain JSON values; times RFC 3339 UTC, lengths mm to three decimals, null where not known."""
    return {
        "schema": SCHEMA,
        "ticket": ticket.number,
        "machine": ticket.machine,
        "cause": ticket.cause,
        "phase": ticket.phase,
        "priority": ticket.priority,
        "due": ticket.due.isoformat() if ticket.due else None,
        "opened_at": _time(ticket.opened_at),
        "changed_at": _time(ticket.changed_at),
        "range_mm": _mm(ticket.range_mm),
        "predicted_mm": _mm(ticket.predicted_mm),
        "advice": list(ticket.advice),
        "plan": ticket.plan or None,
        "remark": ticket.remark or None,
        "work_from": _time(ticket.work_from),
        "work_until": _time(ticket.work_until),
        "method": ticket.method,
        "closed_at": _time(ticket.closed_at),
        "closed_range_mm": _mm(ticket.closed_range_mm),
        "accepted_limit_mm": _mm(ticket.accepted_limit_mm),
        "accepted_until": _time(ticket.accepted_until),
    }


def event_document(event: TicketEvent) -> dict[str, Any]:
    """One event of a ticket as plain JSON values."""
    return {
        "at": _time(event.at),
        "action": event.action,
        "from_phase": event.from_phase,
        "to_phase": event.to_phase,
        "by": event.by or None,
        "why": event.why or None,
    }


def cautions_of(ticket: Mapping[str, Any]) -> list[str]:
    """What goes with a ticket's document wherever it is sent: the cautions before the first move.

    Empty where it sends nobody to the machine: a closed ticket, or one about a host.
    """
    sends = ticket.get("phase") in OPEN and ticket.get("cause") != "host"
    return [*CAUTIONS, CAUTIONS_FOOT] if sends else []


def _time(at: datetime | None) -> str | None:
    return None if at is None else at.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def _mm(value: float | None) -> float | None:
    return None if value is None else round(value, 3) + 0.0
