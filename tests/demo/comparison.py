"""What farmwatch says of a machine of the invented farm, held against what is true of it. Values only, no I/O."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta

from farmwatch.demo import MachineTruth
from farmwatch.follow import Step
from farmwatch.judge import Assessment
from farmwatch.tickets import Ticket
from tests.demo.expected import Expected, ExpectedStep, expected_of

__all__ = ["differences", "ticket_differences"]

# A step shows in the first mesh after it, and a bed is probed at least every third day.
STEP_SHOWS_WITHIN = timedelta(days=3.5)


def differences(said: Assessment, truth: MachineTruth, end: datetime) -> list[str]:
    """Every point in which `said` is not what a right judgement says; `end` (aware) is the demo's last Monday.

    Condition, cause, advice and their kin must be equal; steps must be found, named and placed, and none invented.
    """
    found, wanted = _said(said), _wanted(expected_of(truth.name))
    wrong = [f"{fact}: said {found[fact]!r}, true {value!r}" for fact, value in wanted.items() if found[fact] != value]
    if said.condition == "past-limit" and not said.confirmed:
        wrong.append("past the limit, not confirmed")
    steps, true_steps = said.steps, expected_of(truth.name).steps
    same = len(steps) == len(true_steps) and all(map(_is_step, steps, true_steps, [end] * len(steps)))
    if not same:
        listed = [(step.name, step.screw, step.teeth, step.at.isoformat()) for step in steps]
        wrong.append(f"steps: said {listed!r}, true {true_steps!r}")
    return wrong


def ticket_differences(tickets: Sequence[Ticket], truth: MachineTruth) -> list[str]:
    """Every point in which the machine's tickets (by number, as they stood at the end) are not as they must be.

    The newest must be in the true phase and about the true cause (or the silent host); of a bed that is well, only a
    closed one may tell.
    """
    wanted, newest = expected_of(truth.name), tickets[-1] if tickets else None
    phase = newest.phase if newest else None
    wrong = [] if phase == wanted.ticket else [f"ticket: said {phase!r}, true {wanted.ticket!r}"]
    if newest is not None and newest.is_open:
        cause = wanted.cause if wanted.condition == "past-limit" else "host"
        if newest.cause != cause:
            wrong.append(f"ticket: about {newest.cause!r}, true {cause!r}")
    if sum(ticket.is_open for ticket in tickets) > 1:
        wrong.append("more than one ticket is open")
    return wrong


def _said(said: Assessment) -> dict[str, object]:
    return {
        "condition": said.condition,
        "cause": said.cause,
        "advice": said.advice,
        "at_tooth_floor": said.at_tooth_floor,
        "in_service": said.in_service,
        "mesh_old": said.mesh_old,
        "warned": bool(said.warnings),
        "shown_is_judged": said.reading is not None and said.reading.judged,
        "outcome": said.last_outcome,
        "teeth": said.plan.teeth if said.plan else None,
    }


def _wanted(expected: Expected) -> dict[str, object]:
    always = (
        "condition", "cause", "advice", "at_tooth_floor", "in_service", "mesh_old", "warned", "shown_is_judged"
    )  # fmt: skip
    wanted = {fact: getattr(expected, fact) for fact in always}
    return wanted | {fact: value for fact in ("outcome", "teeth") if (value := getattr(expected, fact)) is not None}


def _is_step(step: Step, truth: ExpectedStep, end: datetime) -> bool:
    happened = end - timedelta(days=truth.days_before)
    if step.name != truth.name or not happened <= step.at <= happened + STEP_SHOWS_WITHIN:
        return False
    if truth.screw is not None and step.screw != truth.screw:
        return False
    return truth.teeth is None or step.teeth == truth.teeth
