"""What the report says of one machine in a line or a label; the words themselves are those of `judge.words`."""

from __future__ import annotations

from farmwatch.judge.assessment import Assessment
from farmwatch.judge.words import ADVICE_WORDS, CAUSE_WORDS
from farmwatch.report.text import count, mm

__all__ = ["advice_line", "cause_line", "turn_labels"]


def cause_line(machine: Assessment) -> str:
    """The cause, or while it is unclear or unconfirmed what it looks like."""
    if machine.suspected_cause is not None and machine.suspected_cause != machine.cause:
        return f"{CAUSE_WORDS[machine.cause]}; looks like {CAUSE_WORDS[machine.suspected_cause]}"
    return CAUSE_WORDS[machine.cause]


def advice_line(machine: Assessment) -> str:
    """What to do, in order, without a capital or a stop: it stands in a cell."""
    return ", then ".join(ADVICE_WORDS[advice] for advice in machine.advice)


def turn_labels(machine: Assessment) -> dict[str, str]:
    """Per screw to be turned, for the contour sheet: up 2 teeth, or up 0.35 mm where the drive is free."""
    plan = machine.plan
    if plan is None:
        return {}
    labels = {}
    for name, rise in (plan.teeth or plan.turn_mm).items():
        amount = count(abs(int(rise)), "tooth", "teeth") if plan.teeth else f"{mm(abs(rise), 2)} mm"
        if abs(rise) >= 0.005:
            labels[name] = f"{'up' if rise > 0 else 'down'} {amount}"
    return labels
