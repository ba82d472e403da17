"""A ticket and what happened to it. Values only; times are aware, UTC."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from typing import Any, Literal

from farmwatch.judge import CAUTIONS, CAUTIONS_FOOT, Assessment
from farmwatch.judge.assessment import Plan
from farmwatch.judge.tables import CAUSES, Cause
from farmwatch.store import Move
from farmwatch.tickets.phases import CLOSED, OPEN, Action, Phase, possible
from farmwatch.times import rfc3339

__all__ = [
    "BY_HAND", "NEEDS_TECHNICIAN", "PROGRAM", "REPLACED", "SCHEMA", "Ticket", "TicketCause", "TicketEvent",
    "cautions_of", "plan_document",
]  # fmt: skip

SCHEMA = "farmwatch.ticket/1"

PROGRAM = "farmwatch"
"""Who acts where no person did."""

REPLACED = "It now reads as"
"""How the reason begins where a ticket with another cause takes a ticket's place."""

BY_HAND = "Opened by hand"
"""How the remark begins of a ticket that a person opened: readings alone do not take it away."""

TicketCause = Cause | Literal["host"]
"""What a ticket is about: a cause of the judgement, or a host that is silent."""

NEEDS_TECHNICIAN: frozenset[TicketCause] = frozenset(cause for cause, row in CAUSES.items() if row.technician)
"""Causes that need somebody at the machine."""


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

    @property
    def note(self) -> str:
        """What there is to say of it now: why a check failed before the last work says nothing once that is done."""
        return "" if self.phase == "proving" and not self.remark.startswith(BY_HAND) else self.remark

    @property
    def asks(self) -> tuple[str, ...]:
        """The advice that it asks to be followed now: work that is done is not to be done twice, only probed."""
        done = self.phase == "proving" and self.cause != "host"
        return ("re-mesh",) if done else self.advice

    @property
    def possible(self) -> tuple[Action, ...]:
        """What a person can do with it now."""
        return possible(self.phase)

    @property
    def work_plan(self) -> Plan | None:
        """The plan that it keeps; None where it keeps none."""
        if not self.plan:
            return None
        after = float(self.plan["range_after_mm"])
        return Plan(
            teeth=dict(self.plan.get("teeth", {})),
            range_after_mm=after,
            shims_mm=dict(self.plan.get("shims_mm", {})),
            range_after_shims_mm=float(self.plan.get("range_after_shims_mm", after)),
            turn_mm=dict(self.plan.get("turn_mm", {})),
        )

    def planned(self, advice: Sequence[str], plan: Plan | None) -> Ticket:
        """The same ticket with the advice and plan of an assessment."""
        return replace(self, advice=tuple(advice), plan=plan_document(plan))

    def with_numbers(self, machine: Assessment) -> Ticket:
        """The same ticket with range, advice and plan as its machine is judged."""
        plan = machine.plan
        after = None
        if plan is not None:
            # What is left when the advice is followed: after shims where shims are advised, else after the teeth.
            after = plan.range_after_shims_mm if "shim" in machine.advice else plan.range_after_mm
        return replace(self.planned(machine.advice, plan), range_mm=machine.condition_range_mm, predicted_mm=after)

    def as_judged(self, machine: Assessment | None) -> Ticket:
        """The ticket as it is shown: with the newest numbers, and what is still to be done by them.

        One that is closed, waits for its check or is about a host stays as it is. Of a machine out of service nothing
        is judged: the moves of its ticket stand until a mesh is later than the beginning of the work.
        """
        if machine is None or not self.is_open or self.phase == "proving" or self.cause == "host":
            return self
        if machine.in_service:
            return self.with_numbers(machine) if machine.condition_range_mm is not None else self
        newest = None if machine.reading is None else machine.reading.taken_at
        worked_on = self.work_from is not None and newest is not None and newest > self.work_from
        known = replace(self, range_mm=machine.condition_range_mm or self.range_mm)
        return replace(known, plan={}, predicted_mm=None) if worked_on else known

    def accepts(self, range_mm: float | None, at: datetime) -> bool:
        """Whether by this ticket a machine with that range is accepted as it is, at `at`."""
        return (
            self.phase == "accepted"
            and (self.accepted_until is None or at < self.accepted_until)
            and (self.accepted_limit_mm is None or range_mm is None or range_mm <= self.accepted_limit_mm)
        )

    def work_moves(self, moves: Iterable[Move]) -> list[Move]:
        """Those of `moves` that were told in its last work, in the order given."""
        start = self.work_from
        return [move for move in moves if move.ticket == self.number and (start is None or move.at >= start)]

    def document(self) -> dict[str, Any]:
        """As `farmwatch.ticket/1`: times RFC 3339 UTC, lengths mm to three decimals, null where not known."""
        return {
            "schema": SCHEMA,
            "ticket": self.number,
            "machine": self.machine,
            "cause": self.cause,
            "phase": self.phase,
            "priority": self.priority,
            "due": self.due.isoformat() if self.due else None,
            "opened_at": rfc3339(self.opened_at),
            "changed_at": rfc3339(self.changed_at),
            "range_mm": _mm(self.range_mm),
            "predicted_mm": _mm(self.predicted_mm),
            "advice": list(self.asks),
            # What was planned is done: to read it as an order would turn a screw twice.
            "plan": None if self.phase == "proving" else self.plan or None,
            "remark": self.note or None,
            "work_from": rfc3339(self.work_from),
            "work_until": rfc3339(self.work_until),
            "method": self.method,
            "closed_at": rfc3339(self.closed_at),
            "closed_range_mm": _mm(self.closed_range_mm),
            "accepted_limit_mm": _mm(self.accepted_limit_mm),
            "accepted_until": rfc3339(self.accepted_until),
        }


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

    @property
    def by_program(self) -> bool:
        """Whether no person did it."""
        return self.by == PROGRAM

    @property
    def replaced(self) -> bool:
        """Whether the program withdrew the ticket for one with another cause."""
        return self.by_program and self.why.startswith(REPLACED)

    def document(self) -> dict[str, Any]:
        """As plain JSON values."""
        return {
            "at": rfc3339(self.at),
            "action": self.action,
            "from_phase": self.from_phase,
            "to_phase": self.to_phase,
            "by": self.by or None,
            "why": self.why or None,
        }


def plan_document(plan: Plan | None) -> dict[str, object]:
    """The plan as a ticket keeps it; empty where there is none."""
    if plan is None:
        return {}
    return {
        "teeth": dict(plan.teeth),
        "turn_mm": {name: round(mm, 3) for name, mm in plan.turn_mm.items()},
        "range_after_mm": round(plan.range_after_mm, 3),
        "shims_mm": {name: round(mm, 3) for name, mm in plan.shims_mm.items()},
        "range_after_shims_mm": round(plan.range_after_shims_mm, 3),
    }


def cautions_of(document: Mapping[str, Any]) -> list[str]:
    """What goes with a ticket's document wherever it is sent: the cautions before the first move.

    Empty where it sends nobody to the machine: a closed ticket, or one about a host.
    """
    sends = document.get("phase") in OPEN and document.get("cause") != "host"
    return [*CAUTIONS, CAUTIONS_FOOT] if sends else []


def _mm(value: float | None) -> float | None:
    return None if value is None else round(value, 3) + 0.0
