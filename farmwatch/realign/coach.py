"""The coach: from the newest mesh to the next move, and from a move to what it really did. Pure.

One tooth first where the machine's step and sense are not yet learned, then the rest at once; then again while whole
teeth still get closer by more than the probe's noise. The reference screw is never told to be turned. A free drive is
told millimetres, a screw at a time or all together.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from farmwatch.judge.learned import StepBelief, learn_move
from farmwatch.judge.tooth_plan import shim_plan, tooth_plan
from farmwatch.mesh import Floats
from farmwatch.model import Limits, Model
from farmwatch.realign.look import Look

__all__ = ["Advice", "Findings", "Seen", "Turn", "advise", "clockwise_teeth", "compare"]

# A turn must be expected to win back more than this, and more than the noise of the range, to be worth the work.
LEAST_GAIN_MM = 0.012
GAIN_SD = 1.0
# After so many moves the rest is noise more often than not: from there on a turn must promise twice as much.
MOVES_BEFORE_DOUBT = 2
# A screw has moved when its height changed by more than this many sd, and by a good part of what was told.
MOVED_SD = 4.0
MOVED_SHARE = 0.4
# A rise further from whole teeth than this share of a step is none of whole teeth (the rule by which jumps are named).
BETWEEN_SHARE = 0.25
# Two heights taken minutes apart differ by more than the plane's own sd: the bed settles, the probe warms.
SETTLING_MM = 0.004


@dataclass(frozen=True, slots=True, kw_only=True)
class Turn:
    """One screw: whole teeth (None for a free drive), positive where the bed is to rise there, and the rise meant."""

    screw: str
    teeth: int | None
    rise_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Advice:
    """The next move, or the end."""

    kind: Literal["learn", "turn", "finished"]
    turns: tuple[Turn, ...] = ()
    expected_mm: float | None = None
    """The range after the turns, as far as the step is known; None for a tooth turned to learn."""
    then: tuple[Turn, ...] = ()
    """What is likely to follow a tooth turned to learn, that tooth included."""
    ending: Literal["", "ideal", "usable", "tooth-floor", "plate"] = ""
    shims_mm: dict[str, float] | None = None
    after_shims_mm: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """What one movable screw did between two meshes, against the reference screw."""

    screw: str
    told: Turn | None
    rise_mm: float
    sd_mm: float
    teeth: int | None
    """The nearest whole teeth, as the step is now believed; None for a free drive or where no step is known."""
    moved: bool
    between_teeth: bool
    """It stands between two teeth, as far as the step is learned: the belt does not lie in its teeth."""
    as_asked: bool
    """Whether it moved by what was told, up or down, as far as the step is known: only then it teaches the step."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Findings:
    """What a move really did."""

    belief: StepBelief
    screws: tuple[Seen, ...]
    nothing_moved: bool
    """A turn was told, and no screw moved: the mesh came before the turn, or the belt slipped."""
    reference_mm: float | None
    """By how much the reference screw rose, where it was the one that moved; None otherwise."""


def advise(look: Look, model: Model, limits: Limits, belief: StepBelief, moves_made: int = 0) -> Advice:
    """What to turn next, from the newest mesh, what is believed of the machine's step, and the moves made so far."""
    worth = max(LEAST_GAIN_MM, GAIN_SD * look.range_sd_mm) * (2 if moves_made >= MOVES_BEFORE_DOUBT else 1)
    if model.drive == "free":
        return _advise_free(look, model, limits, worth)
    if belief.nominal_mm is None and not belief.moves:
        return _first_tooth_unknown(look, model, limits, worth)
    best = tooth_plan(look.z, look.influence, belief.step_mm, model.reference_index)
    gain = look.clear_mm - float(best.range_mm)
    if gain < worth or not best.teeth.any():
        return _finished(look, model, limits, worth)
    turns = _turns(model, best.teeth.astype(np.float64) * belief.step_mm, best.teeth.tolist())
    if belief.learned or sum(abs(turn.teeth or 0) for turn in turns) == 1:
        return Advice(kind="turn", turns=turns, expected_mm=float(best.range_mm))
    most = max(turns, key=lambda turn: abs(turn.teeth or 0))
    way = 1 if (most.teeth or 0) > 0 else -1
    first = Turn(screw=most.screw, teeth=way, rise_mm=way * belief.step_mm)
    return Advice(kind="learn", turns=(first,), then=turns)


def compare(before: Look, after: Look, turns: Sequence[Turn], model: Model, belief: StepBelief) -> Findings:
    """What happened between two meshes, and what the machine's step is believed to be now."""
    rise = after.heights_mm - before.heights_mm
    sd = np.sqrt(before.heights_sd_mm**2 + after.heights_sd_mm**2 + SETTLING_MM**2)
    told = {turn.screw: turn for turn in turns}
    reference = _reference_rise(rise, sd, told, model, belief)
    if reference is not None:
        rise = rise + np.where(np.arange(len(model.screws)) == model.reference_index, 0.0, reference)
    learned, moved, asked = belief, {}, set()
    for i in model.movable:
        name = model.screws[i].name
        moved[name] = _has_moved(float(rise[i]), float(sd[i]), told.get(name), belief)
        turn = told.get(name)
        if turn is not None and turn.teeth and moved[name] and _as_asked(float(rise[i]), float(sd[i]), turn, belief):
            asked.add(name)
            learned = learn_move(learned, _as_told(turn.teeth, belief), float(rise[i]), float(sd[i]))
    seen = tuple(
        Seen(
            screw=model.screws[i].name,
            told=told.get(model.screws[i].name),
            rise_mm=float(rise[i]),
            sd_mm=float(sd[i]),
            teeth=_nearest_teeth(float(rise[i]), model, learned),
            moved=moved[model.screws[i].name],
            between_teeth=_is_between(float(rise[i]), float(sd[i]), model, learned),
            as_asked=model.screws[i].name in asked,
        )
        for i in model.movable
    )
    nothing = bool(turns) and reference is None and not any(one.moved for one in seen)
    return Findings(belief=learned, screws=seen, nothing_moved=nothing, reference_mm=reference)


def clockwise_teeth(turn: Turn, belief: StepBelief) -> int | None:
    """The turn as it is made: whole teeth, positive for clockwise seen from below."""
    if turn.teeth is None:
        return None
    return turn.teeth if (belief.clockwise or belief.told) == "raises" else -turn.teeth


def _as_asked(rise: float, sd: float, turn: Turn, belief: StepBelief) -> bool:
    """Whether a rise can be that of the teeth told, in either sense; two teeth in place of one cannot."""
    if turn.teeth is None or (belief.nominal_mm is None and not belief.moves):
        return True
    spread = float(np.hypot(turn.teeth * belief.sd_mm, sd))
    return abs(abs(rise) - abs(turn.teeth) * belief.step_mm) <= MOVED_SD * spread


def _as_told(teeth: int, belief: StepBelief) -> int:
    """Teeth that were meant to raise, as the model's sense would have them (what a belief learns from)."""
    return teeth if (belief.clockwise or belief.told) == belief.told else -teeth


def _real_lift(look: Look, model: Model) -> Floats:
    """`[k]` rise of each screw that lays the bed level, as real numbers; 0 at the reference."""
    lift: Floats = look.heights_mm[model.reference_index] - look.heights_mm
    return lift


def _advise_free(look: Look, model: Model, limits: Limits, worth: float) -> Advice:
    lift = _real_lift(look, model)
    after = look.z + lift @ look.influence
    left = float(np.nanmax(after) - np.nanmin(after))
    if look.clear_mm - left < worth:
        return _finished(look, model, limits, worth)
    return Advice(kind="turn", turns=_turns(model, lift, None), expected_mm=left)


def _first_tooth_unknown(look: Look, model: Model, limits: Limits, worth: float) -> Advice:
    """Neither lead nor pulley is known: one tooth, at the screw that is furthest off, shows the step."""
    lift = _real_lift(look, model)
    furthest = max(model.movable, key=lambda i: abs(float(lift[i])))
    if look.clear_mm - look.least_mm < max(worth, limits.ideal_mm / 4):
        return _finished(look, model, limits, worth)
    way = 1 if lift[furthest] > 0 else -1
    turn = Turn(screw=model.screws[furthest].name, teeth=way, rise_mm=0.0)
    return Advice(kind="learn", turns=(turn,))


def _turns(model: Model, lift: Floats, teeth: list[int] | None) -> tuple[Turn, ...]:
    turns = [
        Turn(screw=model.screws[i].name, teeth=None if teeth is None else teeth[i], rise_mm=float(lift[i]))
        for i in model.movable
    ]
    return tuple(turn for turn in turns if (turn.teeth if turn.teeth is not None else abs(turn.rise_mm) > 0.01))


def _finished(look: Look, model: Model, limits: Limits, worth: float) -> Advice:
    if look.least_mm > limits.usable_mm:
        return Advice(kind="finished", ending="plate")
    if look.clear_mm <= limits.ideal_mm:
        return Advice(kind="finished", ending="ideal")
    shims = shim_plan(look.z, look.influence, model.shim_stock_mm) if model.shim_stock_mm else None
    done = Advice(kind="finished", ending="usable" if look.clear_mm <= limits.usable_mm else "tooth-floor")
    if shims is None or look.clear_mm - shims.range_mm < worth:
        return done
    named = {screw.name: float(shims.shims_mm[i]) for i, screw in enumerate(model.screws)}
    return replace(done, shims_mm=named, after_shims_mm=shims.range_mm)


def _has_moved(rise: float, sd: float, turn: Turn | None, belief: StepBelief) -> bool:
    least = MOVED_SD * sd
    if turn is not None and turn.teeth and (belief.nominal_mm is not None or belief.moves):
        least = max(least, MOVED_SHARE * abs(turn.teeth) * belief.step_mm)
    return abs(rise) > least


def _reference_rise(rise: Floats, sd: Floats, told: dict[str, Turn], model: Model, belief: StepBelief) -> float | None:
    """The rise of the reference screw where every other screw, told or not, fell by one amount beside its own."""
    if model.drive != "belt" or len(model.movable) < 2:
        return None
    rest = []
    for i in model.movable:
        turn = told.get(model.screws[i].name)
        # A screw that was told to move says nothing here while its step is not known.
        if turn is not None and not belief.learned:
            continue
        rest.append((float(rise[i]) - (turn.rise_mm if turn else 0.0), float(sd[i])))
    if len(rest) < 2:
        return None
    offs = np.array([off for off, _ in rest])
    noise = max(error for _, error in rest)
    one_amount = np.ptp(offs) < MOVED_SD * noise and abs(offs.mean()) > max(MOVED_SD * noise, 0.5 * belief.step_mm)
    return float(-offs.mean()) if one_amount else None


def _nearest_teeth(rise: float, model: Model, belief: StepBelief) -> int | None:
    if model.drive != "belt" or not belief.step_mm or (belief.nominal_mm is None and not belief.moves):
        return None
    return round(rise / belief.step_mm)


def _is_between(rise: float, sd: float, model: Model, belief: StepBelief) -> bool:
    if model.drive != "belt" or not belief.learned:
        return False
    teeth = round(rise / belief.step_mm)
    spread = float(np.hypot(teeth * belief.sd_mm, sd))
    return abs(rise - teeth * belief.step_mm) > max(BETWEEN_SHARE * belief.step_mm, MOVED_SD * spread)
