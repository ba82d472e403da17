"""What the fleet's assessment means for the book: which tickets to open, refresh, replace or remark upon.

Pure: assessment, tickets and time in; a list of changes out, in the order of the assessment. `updates` carries them
out. The rules, one function each:

- a confirmed `past-limit` with a cause that needs hands opens a ticket, unless one is open, the machine is accepted
  as it is, or it was closed as good as teeth allow and has not risen 0.05 mm since;
- an open ticket is refreshed with new numbers, never repeated; another cause takes the old ticket's place as long as
  nobody has begun;
- a machine that came right by itself says so on its ticket and stays a person's to close;
- a host that is silent for too long in working hours opens a ticket of its own, withdrawn when it answers.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import Literal

from farmwatch.judge import Assessment, FleetAssessment
from farmwatch.judge.assessment import Plan
from farmwatch.tickets.ticket import BY_HAND, NEEDS_TECHNICIAN, REPLACED, Ticket, TicketCause

__all__ = [
    "RISE_AFTER_FLOOR_MM",
    "Rules",
    "TicketChange",
    "changes_due",
    "draft_by_hand",
    "is_settled",
    "workday",
]

RISE_AFTER_FLOOR_MM = 0.05
# A person has said no: for four weeks only a rise of 0.05 mm is reason to ask again.
QUIET_AFTER_A_NO = timedelta(weeks=4)
# A change smaller than this, or than 10 %, is no news worth an entry.
NEWS_MM = 0.02
NEWS_SHARE = 0.10
SAME_SHIM_MM = 0.0005
CAME_RIGHT = "It came right by itself"


@dataclass(frozen=True, slots=True, kw_only=True)
class Rules:
    """What the farm says of its tickets."""

    approve_up_to_mm: float | None = None
    """Tickets for screws alone are approved by rule where the range is at most this; None: by hand only."""
    plan_ahead: bool = False
    """Whether a forecast within four weeks opens a ticket before the limit is passed."""
    workdays: frozenset[int] = frozenset(range(5))
    """Weekdays (Monday is 0) on which work is done, for due dates."""
    closed: frozenset[date] = frozenset()


@dataclass(frozen=True, slots=True, kw_only=True)
class TicketChange:
    """One change to the book. `ticket` is the draft to open, or the open ticket as it shall read."""

    kind: Literal["open", "refresh", "withdraw", "prove", "fail"]
    ticket: Ticket
    why: str
    approve: bool = False
    """Whether a rule approves it at once."""


def changes_due(fleet: FleetAssessment, tickets: Sequence[Ticket], rules: Rules, today: date) -> list[TicketChange]:
    """All that the assessment means for the book; `today` is the farm's date."""
    by_machine: dict[str, list[Ticket]] = {}
    for ticket in tickets:
        by_machine.setdefault(ticket.machine, []).append(ticket)
    found: list[TicketChange] = []
    for machine in fleet.machines:
        mine = by_machine.get(machine.machine, [])
        found.extend(_of_host(fleet, machine, mine, rules, today))
        found.extend(_of_bed(fleet, machine, mine, rules, today))
    return found


def _of_host(
    fleet: FleetAssessment, machine: Assessment, mine: Sequence[Ticket], rules: Rules, today: date
) -> Iterator[TicketChange]:
    open_ticket = _open(mine, "host")
    if machine.silent and machine.in_service:
        if open_ticket is not None and open_ticket.phase == "proving" and _long_done(fleet, open_ticket):
            yield TicketChange(kind="fail", ticket=open_ticket, why="Its host has not answered since the work either.")
        if open_ticket is None and not _accepted(mine, "host", None, fleet.at):
            due = workday(today, 1, rules)
            draft = _draft(fleet, machine, "host", priority=2, due=due)
            yield TicketChange(
                kind="open", ticket=draft, why="Its host has not answered for too long in working hours."
            )
    elif open_ticket is not None and open_ticket.phase in ("proposed", "approved"):
        yield TicketChange(kind="withdraw", ticket=open_ticket, why="Its host answers again.")
    elif open_ticket is not None and open_ticket.phase == "proving" and _answered_since(machine, open_ticket):
        yield TicketChange(kind="prove", ticket=open_ticket, why="Its host answers again.")


def _long_done(fleet: FleetAssessment, open_ticket: Ticket) -> bool:
    waited = timedelta(hours=fleet.limits.silent_after_hours)
    return open_ticket.work_until is not None and fleet.at - open_ticket.work_until > waited


def _answered_since(machine: Assessment, open_ticket: Ticket) -> bool:
    answered, done = machine.host_answered_at, open_ticket.work_until
    return answered is not None and (done is None or answered > done)


def _of_bed(
    fleet: FleetAssessment, machine: Assessment, mine: Sequence[Ticket], rules: Rules, today: date
) -> Iterator[TicketChange]:
    open_ticket = next((t for t in mine if t.is_open and t.cause != "host"), None)
    wants = _wants(machine, rules)
    if open_ticket is not None:
        yield from _for_open_ticket(fleet, machine, open_ticket, wants, rules, today)
    elif (
        wants
        and not is_settled(machine, mine, fleet.at, fleet.limits.usable_mm)
        and not _refused(machine, mine, fleet.at)
    ):
        yield _opening(fleet, machine, rules, today)


def _wants(machine: Assessment, rules: Rules) -> bool:
    if not machine.in_service or machine.condition_range_mm is None:
        return False
    if machine.condition == "past-limit":
        return machine.confirmed and machine.cause in NEEDS_TECHNICIAN
    return rules.plan_ahead and "plan-ahead" in machine.advice


def is_settled(machine: Assessment, mine: Sequence[Ticket], at: datetime, usable_mm: float) -> bool:
    """Whether an earlier one of the machine's tickets already answered what it shows now."""
    if machine.condition_range_mm is None:
        return False
    if any(t.cause in NEEDS_TECHNICIAN and t.accepts(machine.condition_range_mm, at) for t in mine):
        return True
    ended = [t for t in mine if t.closed_at is not None and t.cause != "host" and t.closed_range_mm is not None]
    if not ended:
        return False
    last = max(ended, key=lambda t: (t.closed_at, t.number))
    assert last.closed_range_mm is not None
    assert last.closed_at is not None
    risen = machine.condition_range_mm > last.closed_range_mm + RISE_AFTER_FLOOR_MM
    if last.phase == "nothing-found":
        return not risen and at - last.closed_at < QUIET_AFTER_A_NO
    # Proven above the usable limit means: as good as teeth allow.
    return last.phase == "proven" and machine.at_tooth_floor and last.closed_range_mm > usable_mm and not risen


def _refused(machine: Assessment, mine: Sequence[Ticket], at: datetime) -> bool:
    """Whether a person has withdrawn its last ticket lately: no other is proposed, and it stays among the decisions."""
    ended = [t for t in mine if t.closed_at is not None and t.cause != "host" and t.closed_range_mm is not None]
    last = max(ended, key=lambda t: (t.closed_at, t.number), default=None)
    if last is None or last.phase != "withdrawn" or machine.condition_range_mm is None:
        return False
    assert last.closed_at is not None
    assert last.closed_range_mm is not None
    risen = machine.condition_range_mm > last.closed_range_mm + RISE_AFTER_FLOOR_MM
    return not risen and at - last.closed_at < QUIET_AFTER_A_NO


def draft_by_hand(fleet: FleetAssessment, machine: Assessment, cause: TicketCause, why: str, rules: Rules) -> Ticket:
    """The ticket that a person opens for a machine, with what is known of it now."""
    today = fleet.at.date()
    priority = 2 if machine.condition_range_mm is None else _priority(machine, fleet)
    draft = _draft(fleet, machine, cause, priority=priority, due=_due(priority, today, rules))
    return replace(draft, remark=f"{BY_HAND}: {why}")


def _accepted(mine: Sequence[Ticket], cause: str, range_mm: float | None, at: datetime) -> bool:
    return any(ticket.cause == cause and ticket.accepts(range_mm, at) for ticket in mine)


def _opening(fleet: FleetAssessment, machine: Assessment, rules: Rules, today: date) -> TicketChange:
    assert machine.condition_range_mm is not None
    if machine.condition != "past-limit":
        days = machine.forecast.p50 if machine.forecast and machine.forecast.p50 is not None else 28.0
        due = workday(today + timedelta(days=max(int(days) - 1, 0)), 0, rules)
        draft = replace(_draft(fleet, machine, "screws", priority=3, due=due), remark="Planned ahead of the limit.")
        return TicketChange(kind="open", ticket=draft, why=f"Likely past the limit in {days:.0f} days.")
    priority = _priority(machine, fleet)
    draft = _draft(fleet, machine, machine.cause, priority=priority, due=_due(priority, today, rules))
    by_rule = (
        rules.approve_up_to_mm is not None
        and machine.cause == "screws"
        and machine.condition_range_mm <= rules.approve_up_to_mm
    )
    why = f"Confirmed past the limit at {machine.condition_range_mm:.2f} mm."
    return TicketChange(kind="open", ticket=draft, why=why, approve=by_rule)


def _for_open_ticket(
    fleet: FleetAssessment, machine: Assessment, open_ticket: Ticket, wants: bool, rules: Rules, today: date
) -> Iterator[TicketChange]:
    if open_ticket.phase not in ("proposed", "approved", "came-back"):
        return
    by_hand = open_ticket.remark.startswith(BY_HAND)
    if not wants:
        if not by_hand:
            yield from _came_right(machine, open_ticket)
        return
    if (
        not by_hand
        and machine.condition == "past-limit"
        and machine.cause != open_ticket.cause
        and open_ticket.phase != "came-back"
    ):
        why = f"{REPLACED} {machine.cause}; another ticket takes its place."
        yield TicketChange(kind="withdraw", ticket=open_ticket, why=why)
        opening = _opening(fleet, machine, rules, today)
        # Who has approved the work has approved that somebody looks at this machine; the plan is a new one.
        yield replace(opening, why=f"{opening.why} Takes the place of ticket {open_ticket.number}.")
        return
    if _is_news(machine, open_ticket):
        yield TicketChange(
            kind="refresh", ticket=_refreshed(fleet, machine, open_ticket, rules, today), why="New numbers."
        )


def _came_right(machine: Assessment, open_ticket: Ticket) -> Iterator[TicketChange]:
    right = machine.confirmed and machine.condition in ("ideal", "usable")
    if right and machine.condition_range_mm is not None and not open_ticket.remark.startswith(CAME_RIGHT):
        remark = (
            f"{CAME_RIGHT}: {machine.condition_range_mm:.2f} mm. Withdraw it, or look what moved. "
            "Unless somebody worked on it: then approve it, take it and say it is done."
        )
        yield TicketChange(kind="refresh", ticket=replace(open_ticket, remark=remark), why=remark)


def _is_news(machine: Assessment, open_ticket: Ticket) -> bool:
    if open_ticket.remark.startswith(CAME_RIGHT) or open_ticket.range_mm is None or machine.condition_range_mm is None:
        return True
    off = abs(machine.condition_range_mm - open_ticket.range_mm)
    replanned = machine.advice != open_ticket.advice or _is_another(machine.plan, open_ticket.work_plan)
    return off > max(NEWS_MM, NEWS_SHARE * open_ticket.range_mm) or replanned


def _is_another(plan: Plan | None, before: Plan | None) -> bool:
    """Whether other teeth or shims are told, or other amounts by more than a mesh strays; not what it leaves."""
    if plan is None or before is None:
        return plan is not before
    if plan.teeth != before.teeth or plan.shims_mm.keys() != before.shims_mm.keys():
        return True
    if any(abs(thick - before.shims_mm[name]) > SAME_SHIM_MM for name, thick in plan.shims_mm.items()):
        return True
    turned = {name: abs(mm - before.turn_mm.get(name, 0.0)) for name, mm in plan.turn_mm.items()}
    return not plan.teeth and max(turned.values(), default=0.0) > NEWS_MM


def _refreshed(fleet: FleetAssessment, machine: Assessment, open_ticket: Ticket, rules: Rules, today: date) -> Ticket:
    priority = min(open_ticket.priority, _priority(machine, fleet))
    due = _due(priority, today, rules)
    if open_ticket.due is not None:
        due = min(due, open_ticket.due)
    remark = "" if open_ticket.remark.startswith(CAME_RIGHT) else open_ticket.remark
    return replace(open_ticket.with_numbers(machine), priority=priority, due=due, remark=remark)


def _draft(fleet: FleetAssessment, machine: Assessment, cause: TicketCause, *, priority: int, due: date) -> Ticket:
    draft = Ticket(
        number=0,
        machine=machine.machine,
        cause=cause,
        phase="proposed",
        advice=("check-host",),
        opened_at=fleet.at,
        changed_at=fleet.at,
        priority=priority,
        due=due,
        bed_celsius=machine.reading.bed_celsius if machine.reading else None,
    )
    return draft if cause == "host" else draft.with_numbers(machine)


def _priority(machine: Assessment, fleet: FleetAssessment) -> int:
    """1: three times the usable limit or more; 2: past it."""
    assert machine.condition_range_mm is not None
    return 1 if machine.condition_range_mm >= 3 * fleet.limits.usable_mm else 2


def _due(priority: int, today: date, rules: Rules) -> date:
    return workday(today, 1 if priority == 1 else 5, rules)


def workday(start: date, after: int, rules: Rules) -> date:
    """The `after`-th working day after `start`; for 0, `start` or the first working day that follows it."""
    days = rules.workdays or frozenset(range(7))
    day, left = start, after
    # A farm that closes for more than a year has other worries than a due date.
    for _ in range(400):
        works = day.weekday() in days and day not in rules.closed
        if works and left <= 0:
            return day
        day += timedelta(days=1)
        if day.weekday() in days and day not in rules.closed:
            left -= 1
    return start


def _open(mine: Sequence[Ticket], cause: str) -> Ticket | None:
    return next((t for t in mine if t.is_open and t.cause == cause), None)
