"""What the manager decides this week: a machine each, with what it buys, costs, and whom it waits for. Pure.

Work that is done and waits for its check, machines to be probed again and hosts to be fixed are no decisions: they
are chores, and stand apart.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import date
from types import MappingProxyType

from farmwatch.judge import Assessment
from farmwatch.judge.tables import ADVICE, Advice
from farmwatch.report.groups import Groups, is_past, worst_first
from farmwatch.report.labour import Labour, parts_of
from farmwatch.report.ticket_facts import TicketRef
from farmwatch.tickets import Ticket

__all__ = ["Decision", "find_decisions", "host_at_fault", "is_to_probe", "leading_work"]

_WANTS_A_PERSON = ("refused", "host-error", "garbled", "implausible", "other-machine")


@dataclass(frozen=True, slots=True, kw_only=True)
class Decision:
    """One machine and one question to be answered with yes, no or later."""

    machine: str
    question: str
    ticket: int | None
    range_mm: float | None
    after_mm: float | None
    """What the plan is expected to leave; None where there is no plan."""
    hours: float
    parts: str
    overdue_days: int
    """Days since the ticket was due; 0 where it is not."""
    waits_for: str


def find_decisions(
    groups: Groups,
    labour: Labour,
    settled: Collection[str],
    today: date,
    refs: Mapping[str, TicketRef] = MappingProxyType({}),
) -> tuple[Decision, ...]:
    """Failed checks first, then what is overdue for longest, then the largest range.

    settled: machines that a closed ticket has answered for. today: the farm's date. refs: the tickets as they are
    told, for whoever has one.
    """
    found: list[tuple[tuple[float, ...], Decision]] = []
    for machine in worst_first(groups.working):
        ticket = groups.tickets.get(machine.machine)
        late = _overdue(ticket, today)
        asked = _question(machine, ticket, late)
        if not asked or (ticket is None and machine.machine in settled):
            continue
        question, waits_for = asked
        if waits_for == "bench" and machine.machine in refs:
            waits_for = refs[machine.machine].owner or waits_for
        plan = machine.plan
        right = _is_right_again(machine)
        decision = Decision(
            machine=machine.machine,
            question=question,
            ticket=None if ticket is None else ticket.number,
            range_mm=machine.condition_range_mm,
            after_mm=None if plan is None or right else _after(machine),
            hours=0.0 if right else labour.each.get(machine.machine, 0.0),
            parts="" if right else parts_of([machine], short=True),
            overdue_days=0 if right else late,
            waits_for=waits_for,
        )
        failed = ticket is not None and ticket.phase == "came-back"
        order = (not failed or right, right, -decision.overdue_days, -(machine.condition_range_mm or 0.0))
        found.append((order, decision))
    return tuple(decision for _, decision in sorted(found, key=lambda item: item[0]))


def host_at_fault(machine: Assessment) -> bool:
    """A host silent for too long, or one that answers with what no later poll will put right by itself."""
    return machine.silent or "check-host" in machine.advice or machine.last_outcome in _WANTS_A_PERSON


def leading_work(machine: Assessment) -> Advice | None:
    """The work that comes first; None where nothing is to be done at the machine."""
    return next(
        (advice for advice in machine.advice if ADVICE[advice].bench_hours is not None or advice == "re-mesh"), None
    )


def is_to_probe(machine: Assessment, ticket: Ticket | None) -> bool:
    """Whether the next thing to do is another hot mesh: nothing is decided before it."""
    if leading_work(machine) != "re-mesh" or not (is_past(machine) or machine.condition == "unknown"):
        return False
    return machine.reading is not None and (ticket is None or ticket.phase in ("proposed", "approved", "came-back"))


def _question(machine: Assessment, ticket: Ticket | None, late: int) -> tuple[str, str] | None:
    """The question and whom it waits for; None where nothing is asked."""
    if is_to_probe(machine, ticket):
        return None
    work = leading_work(machine)
    if ticket is None:
        if not is_past(machine) or work is None:
            return None
        return _of_work(machine, work), "manager"
    if ticket.phase in ("proposed", "approved", "came-back") and _is_right_again(machine):
        return "Sound again: close its ticket?", "manager"
    if ticket.phase == "came-back":
        return "Failed its check: find out why, approve again?", "manager"
    if ticket.phase == "proposed":
        if work is None:
            return "Approve bench time before the limit?", "manager"
        return _of_work(machine, work, approve=True), "manager"
    if ticket.phase in ("approved", "in-work") and late:
        return f"Overdue: {ADVICE[work].work if work else 'the work on its ticket'} this week?", "bench"
    return None


def _of_work(machine: Assessment, work: Advice, *, approve: bool = False) -> str:
    if work == "shim" or machine.at_tooth_floor:
        return "Shim it, or accept it as it is?"
    order = ADVICE[work].work
    return f"Approve: {order}?" if approve else f"{order[0].upper()}{order[1:]}?"


def _after(machine: Assessment) -> float | None:
    plan = machine.plan
    if plan is None:
        return None
    return plan.range_after_shims_mm if "shim" in machine.advice else plan.range_after_mm


def _is_right_again(machine: Assessment) -> bool:
    return machine.confirmed and machine.condition in ("ideal", "usable") and "plan-ahead" not in machine.advice


def _overdue(ticket: Ticket | None, today: date) -> int:
    if ticket is None or ticket.due is None or not ticket.is_open:
        return 0
    return max(0, (today - ticket.due).days)
