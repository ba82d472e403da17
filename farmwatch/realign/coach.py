"""The coach: from the newest mesh to the next move, and from a move to what it really did. Pure.

One tooth first where the machine's step and sense are not yet learned, then the rest at once; then again while whole
teeth still get closer by more than the probe's noise. The reference screw is never told to be turned. A free drive is
told millimetres, a screw at a time or all together.

A move that goes against what was told was turned the wrong way round, or the machine answers the other way: only the
one who turned can say which. Until a move has gone as told, one tooth is the most that is told.

On four screws or more the bed is rigid: it is moved by settings that keep every screw on one plane, the first tooth
too, and what a move did is read from the plane as a whole (`follow.explain_move`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from farmwatch.follow import SCREWS_OF_A_PLANE, explain_move
from farmwatch.judge import find_twist, shim_plan, tooth_plan
from farmwatch.judge.learned import DOUBT, DOUBT_WHEN_ASKED, StepBelief, learn_turn
from farmwatch.mesh import Floats
from farmwatch.model import Limits, Model
from farmwatch.realign.bed import BedState

__all__ = ["Findings", "NextMove", "Seen", "Turn", "back", "careful_after", "clockwise_teeth", "compare", "next_move"]

# A turn must be expected to win back more than this, and more than the noise of the range, to be worth the work.
LEAST_GAIN_MM = 0.012
GAIN_SD = 1.0
# After so many moves the rest is noise more often than not: from there on a turn must promise twice as much.
MOVES_BEFORE_DOUBT = 3
# A screw has moved when its height changed by more than this many sd, and by a good part of a tooth.
MOVED_SD = 4.0
MOVED_SHARE = 0.4
# A rise further from whole teeth than this share of a step is none of whole teeth (the rule by which jumps are named).
BETWEEN_SHARE = 0.25
# The most that a free drive is told to be turned after a move that went against what was told.
LITTLE_MM = 0.1
# While the step is not learned it may be a quarter of what the model says (`learned.WRONG_BY`).
LEAST_SCALE = 0.25
# Two heights taken minutes apart differ by more than the plane's own sd: the bed settles, the probe warms.
SETTLING_MM = 0.004


@dataclass(frozen=True, slots=True, kw_only=True)
class Turn:
    """One screw: whole teeth (None for a free drive), positive where the bed is to rise there, and the rise meant."""

    screw: str
    teeth: int | None
    rise_mm: float
    clockwise: bool | None = None
    """Which way round it is told to be turned, seen from below; None for a free drive."""
    way_known: bool = True
    """Whether it is told which way the bed is to go; False for a tooth turned to find out."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NextMove:
    """The next move, or the end."""

    kind: Literal["learn", "turn", "finished", "stopped"]
    """stopped: a screw that was not told to has moved (`strayed`), or the moves lead nowhere."""
    turns: tuple[Turn, ...] = ()
    expected_mm: float | None = None
    """The range after the turns, as far as the step is known; None for a tooth turned to learn."""
    careful: bool = False
    """More would be told, had the last moves gone as told."""
    ending: Literal["", "ideal", "usable", "tooth-floor", "plate"] = ""
    strayed: Seen | None = None
    """The screw that moved without being told to, where that stops the session."""
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
    """Whether it moved by what was told, up or down, as far as the step is known."""
    against: bool
    """It rose where it was to fall, or fell where it was to rise."""
    teaches: bool
    """Whether the step is learned from it: it moved as told, and no other told screw stands for the same plane."""
    turned: int | None
    """Whole teeth as they count, positive for clockwise seen from below; None where nothing is learned from them."""
    answer: bool | None
    """Whether it was turned the way round that was told, says who turned it; None where nobody was asked."""
    also: tuple[str, ...] = ()
    """Screws of which one, moved alone, would have moved the plane in the same way."""

    @property
    def to_ask(self) -> bool:
        """Whether only the one who turned it can say what its move means."""
        told = self.told
        return self.moved and told is not None and bool(told.teeth) and (self.against or not told.way_known)


@dataclass(frozen=True, slots=True, kw_only=True)
class Findings:
    """What a move really did."""

    belief: StepBelief
    screws: tuple[Seen, ...]
    nothing_moved: bool
    """A turn was told, and no screw moved: the mesh came before the turn, or the belt slipped."""
    reference_mm: float | None
    """By how much the reference screw rose, where it was the one that moved; None otherwise."""
    reference_suspected_mm: float | None = None
    """The same while only one mesh says so: nothing else is read from it, and another is wanted."""


def next_move(
    bed: BedState, model: Model, limits: Limits, belief: StepBelief, moves_made: int = 0, *, careful: bool = False
) -> NextMove:
    """What to turn next, from the newest mesh, what is believed of the machine's step, and the moves made so far.

    careful: a move went against what was told and none has gone as told since; one tooth is the most that is told.
    """
    min_gain = max(LEAST_GAIN_MM, GAIN_SD * bed.range_sd_mm) * (2 if moves_made >= MOVES_BEFORE_DOUBT else 1)
    if model.drive == "free":
        return _next_free_move(bed, model, limits, min_gain, careful)
    if belief.nominal_mm is None and not belief.moves:
        return _first_tooth_unknown(bed, model, limits, min_gain, belief)
    teeth, after, bent = _best_teeth(bed, model, belief)
    if bed.range_without_spikes_mm - after < min_gain or not teeth.any():
        return _finished(bed, model, limits, min_gain)
    turns = _turns(model, teeth.astype(np.float64) * belief.step_mm, teeth.tolist(), belief)
    if (belief.learned and not careful) or sum(abs(turn.teeth or 0) for turn in turns) == 1:
        return NextMove(kind="turn", turns=turns, expected_mm=after)
    return NextMove(kind="learn", turns=_first_teeth(bed, model, belief, turns, bent), careful=careful)


def _best_teeth(bed: BedState, model: Model, belief: StepBelief) -> tuple[NDArray[np.int64], float, bool]:
    """Whole teeth per screw, what they leave, and whether one of four screws bends the bed, which follows it."""
    most = most_teeth(bed, belief)
    twist = find_twist(bed.z, bed.mesh.x, bed.mesh.y, model, belief.step_mm, bed.sigma_mm)
    if twist is not None and max(map(abs, twist.teeth)) <= most:
        return np.array(twist.teeth), twist.range_mm, True
    best = tooth_plan(bed.z, bed.influence, belief.step_mm, model.reference_index)
    if np.abs(best.teeth).max() > most:
        best = tooth_plan(bed.z, bed.influence, belief.step_mm, model.reference_index, most_teeth=most)
    return best.teeth, float(best.range_mm), False


def _first_teeth(
    bed: BedState, model: Model, belief: StepBelief, turns: Sequence[Turn], bent: bool = False
) -> tuple[Turn, ...]:
    """One tooth at the screw with the most to do; a rigid bed by one tooth at each of the screws that tilt it best."""
    if len(model.screws) > SCREWS_OF_A_PLANE and not bent:
        best = tooth_plan(bed.z, bed.influence, belief.step_mm, model.reference_index, most_teeth=1)
        if best.teeth.any():
            return _turns(model, best.teeth.astype(np.float64) * belief.step_mm, best.teeth.tolist(), belief)
    most = max(turns, key=lambda turn: abs(turn.teeth or 0))
    way = 1 if (most.teeth or 0) > 0 else -1
    return (replace(most, teeth=way, rise_mm=way * belief.step_mm),)


def most_teeth(bed: BedState, belief: StepBelief) -> int:
    """The most teeth that one move may be told at a screw: what the mesh itself shows, its range and one tooth."""
    return max(1, int(bed.range_without_spikes_mm / belief.step_mm) + 1)


def careful_after(careful: bool, findings: Findings) -> bool:
    """Whether one tooth is the most to be told after these findings, from whether it was before them."""
    told = [one for one in findings.screws if one.told is not None and one.moved]
    if any(one.against or one.answer is False or (one.to_ask and one.answer is None) for one in told):
        return True
    # A free drive has no teeth to count: to have gone the way it was told is enough.
    return careful and not any(one.as_asked or (one.told is not None and one.told.teeth is None) for one in told)


def compare(
    before: BedState,
    after: BedState,
    turns: Sequence[Turn],
    model: Model,
    belief: StepBelief,
    answers: Mapping[str, bool] | None = None,
    suspected_mm: float | None = None,
) -> Findings:
    """What happened between two meshes, and what the machine's step is believed to be now.

    answers: by screw, whether it was turned the way round that was told, where that was asked (`Seen.to_ask`).
    suspected_mm: the rise of the reference that the mesh before this one made likely; it is told when two say so.
    """
    answers = answers or {}
    rise = after.heights_mm - before.heights_mm
    covariance = before.heights_covariance + after.heights_covariance
    sd = np.sqrt(np.diagonal(covariance) + SETTLING_MM**2)
    told = {turn.screw: turn for turn in turns}
    also: tuple[str, ...] = ()
    teaches: set[str] = set(told)
    if len(model.screws) > SCREWS_OF_A_PLANE:
        meant = np.array([told[screw.name].rise_mm if screw.name in told else 0.0 for screw in model.screws])
        found = explain_move(model.screws_xy, model.reference_index, rise, covariance + _settling(model), meant)
        rise, sd = found.rise_mm, found.sd_mm
        also = tuple(model.screws[i].name for i in found.also)
        # All that went as told did so by one factor: one of them teaches the step, and only then.
        most = max(turns, key=lambda turn: abs(turn.rise_mm), default=None)
        teaches = {most.screw} if found.as_told and most is not None else set()
    reference = _reference_rise(rise, sd, told, model, belief)
    if reference is not None:
        if suspected_mm is None or abs(reference - suspected_mm) > max(MOVED_SD * float(sd.max()), SETTLING_MM):
            return Findings(
                belief=belief, screws=(), nothing_moved=False, reference_mm=None, reference_suspected_mm=reference
            )
        rise = rise + np.where(np.arange(len(model.screws)) == model.reference_index, 0.0, reference)
    learned, parts = belief, []
    for i in model.movable:
        name = model.screws[i].name
        turn, height, error = told.get(name), float(rise[i]), float(sd[i])
        moved = _has_moved(height, error, turn, belief)
        turned = _turned(height, error, turn, belief, answers.get(name)) if turn is not None and moved else None
        if len(model.screws) > SCREWS_OF_A_PLANE and not teaches:
            turned = None
        if turned and name in teaches:
            doubt = DOUBT_WHEN_ASKED if name in answers else DOUBT
            learned = learn_turn(learned, turned, height, error, doubt)
        parts.append((name, turn, height, error, moved, turned))
    seen = tuple(
        Seen(
            screw=name,
            told=turn,
            rise_mm=height,
            sd_mm=error,
            # A step that is in doubt counts no teeth: until it is learned the one before does.
            teeth=_nearest_teeth(height, model, learned if learned.learned else belief),
            moved=moved,
            between_teeth=_is_between(height, error, model, learned),
            as_asked=bool(turned),
            against=moved and _is_against(height, turn),
            teaches=bool(turned) and name in teaches,
            turned=turned,
            answer=answers.get(name),
            also=also if moved and turn is None else (),
        )
        for name, turn, height, error, moved, turned in parts
    )
    nothing = bool(turns) and reference is None and not any(one.moved for one in seen)
    return Findings(belief=learned, screws=seen, nothing_moved=nothing, reference_mm=reference)


def moved_untold(findings: Findings) -> Seen | None:
    """The screw that moved by a whole tooth or more without being told to; None where none did, or none can be named.

    Where a screw that was told moved as well, one hand has turned more than it was told, and the next mesh is as good.
    """
    if findings.reference_mm is not None or any(one.moved and one.told is not None for one in findings.screws):
        return None
    strayed = [one for one in findings.screws if one.moved and one.told is None and one.teeth and not one.between_teeth]
    return max(strayed, key=lambda one: abs(one.rise_mm), default=None)


def back(findings: Findings, model: Model) -> tuple[Turn, ...]:
    """The moves that were found the other way, whole teeth as they were counted; none where nothing of it moved."""
    turns = []
    for one in findings.screws:
        if one.told is None or not one.moved or (model.drive == "belt" and not one.teeth):
            continue
        teeth = -one.teeth if one.teeth and model.drive == "belt" else None
        turn = Turn(screw=one.screw, teeth=teeth, rise_mm=-one.rise_mm)
        turns.append(turn if teeth is None else _sensed(turn, findings.belief))
    return tuple(turns)


def _settling(model: Model) -> Floats:
    """What a bed settles by between two meshes, as a covariance of the heights at the screws: it moves as a plane."""
    where = np.asarray(model.screws_xy)
    apart = where - where[model.reference_index]
    size = float(np.mean(np.sum(apart**2, axis=1))) or 1.0
    settling: Floats = SETTLING_MM**2 * (apart @ apart.T) / size * (len(where) / max(len(where) - 1, 1))
    return settling


def clockwise_teeth(turn: Turn, belief: StepBelief) -> int | None:
    """The turn as it is made: whole teeth, positive for clockwise seen from below."""
    if turn.teeth is None:
        return None
    clockwise = (turn.teeth > 0) == (belief.likelier_sense == "raises") if turn.clockwise is None else turn.clockwise
    return abs(turn.teeth) if clockwise else -abs(turn.teeth)


def _turned(rise: float, sd: float, turn: Turn, belief: StepBelief, answer: bool | None) -> int | None:
    """The teeth that a rise counts for, positive for clockwise; None where it cannot be that of the teeth told."""
    told = clockwise_teeth(turn, belief)
    if not told:
        return None
    way = (1 if told > 0 else -1) * (-1 if answer is False else 1)
    counts = [abs(told)]
    if answer is not None and belief.step_mm:
        # Who says which way round it was turned makes another count of teeth one to learn from.
        counts.append(round(abs(rise) / belief.step_mm))
    fitting = next((way * count for count in counts if count and _fits(rise, sd, count, belief)), None)
    if fitting is None:
        # By the step as the model has it, no; but lead or pulley may be wrong there.
        fitting = way * abs(told) if belief.could_lift(rise, abs(told), sd, MOVED_SD) else None
    return fitting


def _fits(rise: float, sd: float, teeth: int, belief: StepBelief) -> bool:
    """Whether a rise can be that of so many teeth, in either sense; two teeth in place of one cannot."""
    if belief.nominal_mm is None and not belief.moves:
        return True
    spread = float(np.hypot(teeth * belief.sd_mm, sd))
    return abs(abs(rise) - teeth * belief.step_mm) <= MOVED_SD * spread


def _is_against(rise: float, turn: Turn | None) -> bool:
    if turn is None or not turn.way_known:
        return False
    return rise * (turn.rise_mm if turn.teeth is None else turn.teeth) < 0


def _real_lift(bed: BedState, model: Model) -> Floats:
    """`[k]` rise of each screw that lays the bed level, as real numbers; 0 at the reference."""
    lift: Floats = bed.heights_mm[model.reference_index] - bed.heights_mm
    return lift


def _next_free_move(bed: BedState, model: Model, limits: Limits, min_gain: float, careful: bool) -> NextMove:
    lift = _real_lift(bed, model)
    after = bed.z + lift @ bed.influence
    left = float(np.nanmax(after) - np.nanmin(after))
    if bed.range_without_spikes_mm - left < min_gain:
        return _finished(bed, model, limits, min_gain)
    turns = _turns(model, lift, None)
    if careful:
        most = max(turns, key=lambda turn: abs(turn.rise_mm))
        little = float(np.clip(most.rise_mm, -LITTLE_MM, LITTLE_MM))
        return NextMove(kind="learn", turns=(replace(most, rise_mm=little),), careful=True)
    return NextMove(kind="turn", turns=turns, expected_mm=left)


def _first_tooth_unknown(bed: BedState, model: Model, limits: Limits, min_gain: float, belief: StepBelief) -> NextMove:
    """Neither lead nor pulley is known: one tooth, at the screw that is furthest off, shows the step."""
    lift = _real_lift(bed, model)
    furthest = max(model.movable, key=lambda i: abs(float(lift[i])))
    if bed.range_without_spikes_mm - bed.best_reachable_mm < max(min_gain, limits.ideal_mm / 4):
        return _finished(bed, model, limits, min_gain)
    way = 1 if lift[furthest] > 0 else -1
    turn = Turn(screw=model.screws[furthest].name, teeth=way, rise_mm=way * belief.step_mm)
    return NextMove(kind="learn", turns=_first_teeth(bed, model, belief, (_sensed(turn, belief),)))


def _sensed(turn: Turn, belief: StepBelief) -> Turn:
    """The turn with the way round that the belief makes of it."""
    return replace(turn, clockwise=(clockwise_teeth(turn, belief) or 0) > 0, way_known=belief.way_known)


def _turns(model: Model, lift: Floats, teeth: list[int] | None, belief: StepBelief | None = None) -> tuple[Turn, ...]:
    turns = [
        Turn(screw=model.screws[i].name, teeth=None if teeth is None else teeth[i], rise_mm=float(lift[i]))
        for i in model.movable
    ]
    if belief is not None:
        turns = [_sensed(turn, belief) for turn in turns]
    return tuple(turn for turn in turns if (turn.teeth if turn.teeth is not None else abs(turn.rise_mm) > 0.01))


def _finished(bed: BedState, model: Model, limits: Limits, min_gain: float) -> NextMove:
    if bed.best_reachable_mm > limits.usable_mm:
        return NextMove(kind="finished", ending="plate")
    if bed.range_without_spikes_mm <= limits.ideal_mm:
        return NextMove(kind="finished", ending="ideal")
    shims = shim_plan(bed.z, bed.influence, model.shim_stock_mm) if model.shim_stock_mm else None
    done = NextMove(
        kind="finished", ending="usable" if bed.range_without_spikes_mm <= limits.usable_mm else "tooth-floor"
    )
    if shims is None or bed.range_without_spikes_mm - shims.range_mm < min_gain:
        return done
    named = {screw.name: float(shims.shims_mm[i]) for i, screw in enumerate(model.screws)}
    return replace(done, shims_mm=named, after_shims_mm=shims.range_mm)


def _has_moved(rise: float, sd: float, turn: Turn | None, belief: StepBelief) -> bool:
    least = MOVED_SD * sd
    if turn is not None and turn.teeth and (belief.nominal_mm is not None or belief.moves):
        least = max(least, MOVED_SHARE * belief.step_mm * (1.0 if belief.learned else LEAST_SCALE))
    return abs(rise) > least


def _reference_rise(rise: Floats, sd: Floats, told: dict[str, Turn], model: Model, belief: StepBelief) -> float | None:
    """The rise of the reference screw where every other screw, told or not, fell by one amount beside its own."""
    # On a rigid bed of four a screw's move is that of its partner across, the other way: none can be singled out.
    if model.drive != "belt" or len(model.screws) != SCREWS_OF_A_PLANE:
        return None
    rest = []
    for i in model.movable:
        turn = told.get(model.screws[i].name)
        # A screw that was told to move says nothing here while its step is not known.
        if turn is not None and not belief.learned:
            continue
        rest.append((float(rise[i]) - (turn.rise_mm if turn else 0.0), float(sd[i])))
    # That nothing moved, and that all did with the reference, look alike: the likelier is that nothing was done.
    moved = (_has_moved(float(rise[i]), float(sd[i]), told.get(model.screws[i].name), belief) for i in model.movable)
    still = not any(moved)
    if len(rest) < 2 or still or _all_round(rise, sd, told, model):
        return None
    offs = np.array([off for off, _ in rest])
    noise = max(error for _, error in rest)
    one_amount = np.ptp(offs) < MOVED_SD * noise and abs(offs.mean()) > max(MOVED_SD * noise, 0.5 * belief.step_mm)
    return float(-offs.mean()) if one_amount else None


def _all_round(rise: Floats, sd: Floats, told: dict[str, Turn], model: Model) -> bool:
    """Every screw moved by what was told, the other way: one hand that read the words the wrong way round."""
    meant = [told[model.screws[i].name].rise_mm for i in model.movable if model.screws[i].name in told]
    if len(meant) < len(model.movable):
        return False
    places = list(model.movable)
    return bool(np.all(np.abs(rise[places] + meant) < MOVED_SD * sd[places] + BETWEEN_SHARE * np.abs(meant)))


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
