"""Plain words for screens, tickets and the report: condition, cause, advice, and the moves at the screws."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from types import MappingProxyType

from farmwatch.judge.assessment import Assessment, Condition, Plan
from farmwatch.judge.tables import ADVICE, CAUSES, Advice
from farmwatch.model import Model, TurningSense

__all__ = [
    "CONDITION_WORDS", "advice_phrase", "advice_sentence", "amount_phrase",
    "cause_phrase", "move_sentence", "plan_sentences", "screw_words", "shim_sentences",
    "since_phrase",
]  # fmt: skip

CONDITION_WORDS: Mapping[Condition, str] = MappingProxyType(
    {
        "ideal": "as it should be",
        "usable": "good enough to print",
        "past-limit": "past the limit",
        "unknown": "not known",
    }
)


def screw_words(name: str) -> str:
    """A screw's name as it is said: front-left becomes "front left"."""
    return name.replace("-", " ").replace("_", " ")


def since_phrase(assessment: Assessment, day: str) -> str:
    """Since when the condition stands: "since Thu 19 Nov"; `day` is the day of it as the surface writes days."""
    return f"already so when records began, {day}" if assessment.since_records_began else f"since {day}"


def cause_phrase(assessment: Assessment) -> str:
    """The cause; while it is unclear or unconfirmed also what it looks like."""
    looks = assessment.suspected_cause
    if looks is not None and looks != assessment.cause:
        return f"{CAUSES[assessment.cause].words}; looks like {CAUSES[looks].words}"
    return CAUSES[assessment.cause].words


def advice_phrase(advice: Iterable[Advice], *, short: bool = False) -> str:
    """Advice in order: "realign its screws, then shim what is left"; empty for none.

    short: without the particulars that stand behind a colon.
    """
    said = ""
    for one in advice:
        row = ADVICE[one]
        words = row.words.partition(":")[0] if short else row.words
        said += f"{row.joint}{words}" if said else words
    return said


def advice_sentence(assessment: Assessment) -> str:
    """All advice in order, one sentence: "Realign its screws, then shim what is left."; empty for none."""
    said = advice_phrase(assessment.advice)
    return f"{said[0].upper()}{said[1:]}." if said else ""


def amount_phrase(teeth: int | None, mm: float) -> str:
    """How far and which way: "up 2 teeth", "down 0.35 mm" (teeth None: a free drive); empty for nothing."""
    amount = teeth if teeth is not None else round(mm, 2)
    if amount == 0:
        return ""
    return f"{'up' if amount > 0 else 'down'} {f'{abs(mm):.2f} mm' if teeth is None else _teeth(teeth)}"


def move_sentence(screw: str, teeth: int | None, mm: float, clockwise: TurningSense | None) -> str:
    """One move: "front left: up 2 teeth, clockwise seen from below".

    teeth positive where the screw must raise the bed; None for a free drive, which is turned by `mm`. clockwise is
    what a clockwise turn seen from below does; where it is not known the sentence says how to find out.
    """
    who, amount = screw_words(screw), amount_phrase(teeth, mm)
    if not amount:
        return f"{who}: leave as it is"
    if clockwise is not None:
        return f"{who}: {amount}, {_round(amount, clockwise)} seen from below"
    first = "a little" if teeth is None else "one tooth"
    return f"{who}: {amount}; which way round is not known: turn {first} first and mesh again"


def plan_sentences(plan: Plan | None, model: Model, *, learned: bool = False) -> tuple[str, ...]:
    """The moves of a plan, a sentence each, in the order they are made, and what is not turned.

    plan: None where a realignment is advised and nothing of the drive is known to plan it with. learned: whether step
    and sense of this machine are known from a move made on it; `model.clockwise` is what is known of its sense. While
    they are not learned, the first sentence has one tooth turned and the mesh taken again; the rest follows at once.
    """
    reference = tuple(f"{screw_words(one.name)}: the reference, never turned" for one in model.screws if one.reference)
    if plan is None:
        tooth = "how far one tooth lifts is not known yet: turn one screw by one tooth and mesh again, hot"
        return (f"{tooth}; the moves follow from that mesh", *reference)
    first = "" if learned else _first_turn(plan, model)
    # Which way round is up is what the first turn shows: it is not to be said again at every screw.
    said = [
        f"{screw_words(name)}: {amount_phrase(plan.teeth.get(name), mm)}"
        if first and model.clockwise is None and amount_phrase(plan.teeth.get(name), mm)
        else move_sentence(name, plan.teeth.get(name), mm, model.clockwise)
        for name, mm in plan.turn_mm.items()
    ]
    return (*((first,) if first else ()), *said, *reference)


def _first_turn(plan: Plan, model: Model) -> str:
    """The turn that shows step and sense, before the rest; empty where nothing or no more than that is to be turned."""
    moved = [name for name, mm in plan.turn_mm.items() if amount_phrase(plan.teeth.get(name), mm)]
    if not moved:
        return ""
    most = max(moved, key=lambda name: abs(plan.turn_mm[name]))
    if not plan.teeth:
        if model.clockwise is not None:
            return ""
        turn = f"turn {screw_words(most)} a little clockwise, seen from below, and mesh again, hot"
        return f"which way round is not known: first {turn}; then the rest at once"
    if sum(abs(count) for count in plan.teeth.values()) == 1:
        return ""
    then = "then the rest at once, this tooth counted in"
    if model.clockwise is None:
        turn = f"turn {screw_words(most)} by one tooth clockwise, seen from below, and mesh again, hot"
        return f"which way round is not known: first {turn}; {then}"
    way = "up" if plan.teeth[most] > 0 else "down"
    turn = f"turn {screw_words(most)} {way} one tooth, {_round(way, model.clockwise)} seen from below"
    return f"no move is on record for this machine: first {turn}, and mesh again, hot; {then}"


def _round(amount: str, clockwise: TurningSense) -> str:
    return "clockwise" if amount.startswith("up") == (clockwise == "raises") else "anticlockwise"


def shim_sentences(plan: Plan) -> tuple[str, ...]:
    """The shims of a plan, a sentence per mount that gets one: "rear: shim 0.20 mm"."""
    return tuple(f"{screw_words(name)}: shim {mm:.2f} mm" for name, mm in plan.shims_mm.items() if mm > 0)


def _teeth(count: int) -> str:
    return "1 tooth" if abs(count) == 1 else f"{abs(count)} teeth"
