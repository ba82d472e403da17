"""The numbered steps of a work sheet: each with a box, and with a blank for what was turned, fitted or read. Pure.

Screws carry the numbers that they have on the bed plan, so that the eye finds them.
"""

from __future__ import annotations

from dataclasses import dataclass

from farmwatch.judge import Assessment
from farmwatch.judge.assessment import Plan
from farmwatch.judge.tables import ADVICE
from farmwatch.judge.words import amount_phrase
from farmwatch.report.contour import screw_numbers
from farmwatch.text import count, mm, spaced

__all__ = ["SheetStep", "sheet_steps"]


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetStep:
    """One thing to do, with a box; `blank` is what is written down beside it: turned, fitted, read, or nothing."""

    words: str
    blank: str = ""


def sheet_steps(machine: Assessment) -> tuple[SheetStep, ...]:
    """What is done, in order: the work of each advice, the moves, the shims."""
    steps: list[SheetStep] = []
    for advice in machine.advice:
        steps += [SheetStep(words=words) for words in ADVICE[advice].steps]
        if advice == "realign":
            steps += _moves(machine)
        if advice == "shim" and machine.plan is not None:
            steps += [
                SheetStep(words=f"Shim {spaced(name)}: {mm(thick, 2)} mm.", blank="fitted ____ mm")
                for name, thick in machine.plan.shims_mm.items()
                if thick > 0
            ]
    if machine.plan is not None and "realign" not in machine.advice:
        steps += _moves(machine)
    return tuple(steps)


def _moves(machine: Assessment) -> list[SheetStep]:
    plan = machine.plan
    if plan is None:
        return [
            SheetStep(words="How far one tooth lifts is not known. Turn one screw 1 tooth.", blank="turned ____ teeth"),
            SheetStep(words="Probe hot. The other moves follow from that mesh.", blank="range ____ mm"),
        ]
    turned = {name: rise for name, rise in plan.turn_mm.items() if amount_phrase(plan.teeth.get(name), rise)}
    first = _first(machine, plan, turned)
    steps: list[SheetStep] = []
    if first:
        steps += [_first_step(machine, plan, first), SheetStep(words="Probe hot.", blank="range ____ mm")]
    for name, rise in turned.items():
        steps += [_step(machine, plan, name, rise, counted=name == first)]
    return [step for step in steps if step.words]


def _first(machine: Assessment, plan: Plan, turned: dict[str, float]) -> str:
    """The screw of which one tooth is turned before the rest, to see step and sense; empty where both are known, or
    where no more than that one tooth is to be turned."""
    known = machine.model.clockwise is not None
    if not turned or machine.step_learned or (not plan.teeth and known):
        return ""
    if plan.teeth and sum(abs(number) for number in plan.teeth.values()) == 1:
        return ""
    return max(turned, key=lambda name: abs(turned[name]))


def _first_step(machine: Assessment, plan: Plan, name: str) -> SheetStep:
    screw, unit = _screw(machine, name), "teeth" if plan.teeth else "mm"
    if machine.model.clockwise is not None:
        order = _order(screw, plan.turn_mm[name], "1 tooth", machine.model.clockwise)
        words = f"First move on this machine. {order}"
    else:
        amount = "1 tooth" if plan.teeth else "a little"
        words = f"Which way lifts is not known. Turn {screw} {amount} clockwise (from below)."
    return SheetStep(words=words, blank=f"turned ____ {unit}")


def _step(machine: Assessment, plan: Plan, name: str, rise: float, *, counted: bool) -> SheetStep:
    screw, clockwise = _screw(machine, name), machine.model.clockwise
    unit = "teeth" if plan.teeth else "mm"
    if not plan.teeth:
        whole = f"{mm(abs(rise), 2)} mm" + (" in all" if counted else "")
        return SheetStep(words=_order(screw, rise, whole, clockwise), blank=f"turned ____ {unit}")
    number = abs(plan.teeth[name])
    if counted and clockwise is not None:
        # The first tooth is turned by now: whoever reads on must not turn it a second time.
        number -= 1
        amount = f"the remaining {count(number, 'tooth', 'teeth')}"
        return SheetStep(words=_order(screw, rise, amount, clockwise) if number else "", blank=f"turned ____ {unit}")
    amount = count(number, "tooth", "teeth") + (", the first one counted" if counted else "")
    return SheetStep(words=_order(screw, rise, amount, clockwise), blank=f"turned ____ {unit}")


def _screw(machine: Assessment, name: str) -> str:
    return f"screw {screw_numbers(machine.model)[name]}, {spaced(name).upper()},"


def _order(screw: str, rise: float, amount: str, clockwise: str | None) -> str:
    verb = "Raise" if rise > 0 else "Lower"
    if clockwise is None:
        return f"{verb} {screw} {amount}."
    turn = "clockwise" if (rise > 0) == (clockwise == "raises") else "anticlockwise"
    return f"{verb} {screw} {amount} ({turn} from below)."
