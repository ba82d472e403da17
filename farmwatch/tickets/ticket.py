"""A ticket and what happened to it. Values only; times are aware, UTC."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any, Literal

from farmwatch.judge.assessment import Cause
from farmwatch.tickets.phases import CLOSED, Phase

__all__ = ["NEEDS_TECHNICIAN", "Ticket", "TicketCause", "TicketEvent"]

TicketCause = Cause | Literal["host"]
"""What a ticket is about: a cause of the judgement, or a host that is silent."""

NEEDS_TECHNICIAN: frozenset[TicketCause] = frozenset({"screws", "plate", "both", "frame", "probe"})
"""Causes that need hands at the machine."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Ticket:
    """One machine and one cause, from the first proposal to the proof."""

    number: int
    machine: str
    cause: TicketCause
    phase: Phase
    revision: int = 1
    advice: tuple[str, ...] = ()
    opened_at: datetime
    changed_at: datetime
    priority: int
    """1 is first."""
    due: date | None = None
    """Farm date."""
    range_mm: float | None = None
    """The range it was opened or last refreshed at."""
    predicted_mm: float | None = None
    """The range that the plan leaves (shims included where they are part of it)."""
    plan: dict[str, Any] = field(default_factory=dict)
    """Whole teeth and shims as the assessment's document has them; empty where there is none."""
    bed_celsius: float | None = None
    """Bed temperature of the reading it was opened on: a repair is proven in the same band."""
    remark: str = ""
    """What the program has to say: came right by itself, at its tooth floor, what changed since the repair."""
    work_from: datetime | None = None
    work_until: datetime | None = None
    method: str | None = None
    """What was done: realign, shim, turn-plate, plate, check-probe, check-host, other."""
    closed_at: datetime | None = None
    closed_range_mm: float | None = None
    accepted_limit_mm: float | None = None
    accepted_until: datetime | None = None

    @property
    def is_open(self) -> bool:
        """Whether somebody or some reading still has to act."""
        return self.phase not in CLOSED


@dataclass(frozen=True, slots=True, kw_only=True)
class TicketEvent:
    """One thing that happened to a ticket: when, what, by whom and why."""

    number: int
    at: datetime
    action: str
    from_phase: Phase | None
    to_phase: Phase
    by: str
    why: str = ""
