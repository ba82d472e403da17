"""What each step of a person writes on a ticket, for the terminal and the pages alike. Pure.

Each function gives what `TicketRepository.act` takes as its `change`; it may refuse by raising InputError.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime

from farmwatch.errors import InputError
from farmwatch.judge.tables import METHODS
from farmwatch.tickets.ticket import Ticket

__all__ = [
    "LONGEST_WORDS", "accepted", "finished", "line", "nothing_found", "opened_again", "put_back", "taken",
    "withdrawn",
]  # fmt: skip

Change = Callable[[Ticket], Ticket]

LONGEST_WORDS = 300


def line(text: str, what: str) -> str:
    """A line that a person typed, without blanks at its ends; raises InputError for more than a line."""
    if len(text) > LONGEST_WORDS or not text.isprintable():
        raise InputError(f"{what}: wanted a line of at most {LONGEST_WORDS} printable characters")
    return text.strip()


def taken(now: datetime) -> Change:
    """The work begins."""
    return lambda one: replace(one, work_from=now, work_until=None)


def put_back() -> Change:
    """Nothing came of it."""
    return lambda one: replace(one, work_from=None)


def finished(now: datetime, method: str | None) -> Change:
    """The work is done. method: what was done; the ticket's first advice if None."""

    def write(one: Ticket) -> Ticket:
        first = next((advice for advice in one.advice if advice in METHODS), "other")
        # A host that answers again needs no probing: its next answer closes the ticket.
        return replace(one, work_until=now, method=method or first)

    return write


def accepted(now: datetime, limit_mm: float | None, until: datetime | None, *, named: str = "the limit") -> Change:
    """Accepted as it is, up to a range (None: any) and until a time (None: no end). named: what the limit is called."""

    def write(one: Ticket) -> Ticket:
        if limit_mm is not None and (one.range_mm is None or not math.isfinite(limit_mm) or limit_mm < one.range_mm):
            has = "has no range" if one.range_mm is None else f"has {one.range_mm:.3f} mm"
            raise InputError(f"{named} {limit_mm:g}: the machine {has}; accepted would be what it is not")
        return replace(
            one, closed_at=now, closed_range_mm=one.range_mm, accepted_limit_mm=limit_mm, accepted_until=until
        )

    return write


def nothing_found(now: datetime) -> Change:
    """Nothing was wrong at the machine."""
    return lambda one: replace(one, closed_at=now, work_until=now, closed_range_mm=one.range_mm)


def withdrawn(now: datetime) -> Change:
    """It ends; of an accepted one the acceptance does."""

    def write(one: Ticket) -> Ticket:
        # Without a range it was closed at nothing is settled by it, and the machine can be proposed at once.
        return replace(one, closed_at=now, closed_range_mm=None if one.phase == "accepted" else one.range_mm)

    return write


def opened_again(why: str) -> Change:
    """A closed one is open again."""
    return lambda one: replace(one, remark=f"Opened by hand again: {why}")
