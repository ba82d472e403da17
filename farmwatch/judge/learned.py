"""Learned tooth step: what a machine's own moves say of its rise per tooth and of its turning sense.

A belief is a mixture over the two senses and over a few multiples of the step that the model says (a lead or a pulley
entered wrong: pitch for lead, half the teeth); in each the step is a normal variable cut off at zero. A move of n teeth
that changed the height at its screw by c, with standard deviation sd, is c = ± n·step + noise: within a sense the
update is the conjugate normal one (Gelman et al., Bayesian Data Analysis, 3rd ed. 2013, 2.5), and the senses are
weighed by how likely each made the change seen. A move may also have been turned the other way round than recorded:
each has a small doubt, so that two moves which contradict each other leave the step alone and put the sense in doubt.
Or by another count: one move alone cannot tell two teeth turned from a lead that is twice what the model says.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace

from farmwatch.model import Model, TurningSense

__all__ = [
    "DOUBT", "DOUBT_WHEN_ASKED", "StepBelief", "belief_from_turns", "first_belief", "learn_move", "learn_turn",
    "other_drive_sentence", "step_differences",
]  # fmt: skip

NOMINAL_SPREAD = 0.20
# Where the model says nothing: leads of 1 to 8 mm on pulleys of 16 to 20 teeth lift 0.05 to 0.5 mm a tooth.
WIDE_MM = (0.25, 0.25)
# A guess, no source: how often a model's stated sense is right for a machine.
STATED_SENSE_RIGHT = 0.9
# Guesses, no source: how often a turn is made the other way round than it was told, and how often that is so of one
# whose way round was asked about afterwards.
DOUBT = 0.005
DOUBT_WHEN_ASKED = 0.0005
# Guesses, no source: how often lead or pulley of a model are wrong by each of these factors, and how often a hand turns
# one tooth more than told, or twice as many. Only their proportion tells: a slip is the less likely, barely.
WRONG_BY = (2.0, 4.0, 0.5, 0.25)
WRONG_LEAD = 3e-4
MISCOUNTED = 2e-4
# A lead that is wrong is wrong by a whole factor; the rest is what leads and belts differ by.
WRONG_SPREAD = 0.06
WRONG_BY_ABOUT = 0.12
SURE = 0.95
# From here on a turn is told with the way that the bed is to go; below it a sense is a coin's toss.
LIKELY = 0.6
# A belief with less weight than this is held no more.
HELD = 1e-5
# Under this the difference changes no plan that anyone could tell apart.
WORTH_SAYING = 0.03


_TIMES = {2.0: "twice as much", 4.0: "four times as much", 0.5: "half as much", 0.25: "a quarter as much"}


@dataclass(frozen=True, slots=True)
class _Sense:
    """The step in one sense: normal with mean and sd, cut off at zero, and the weight of that belief."""

    weight: float
    mean_mm: float
    sd_mm: float
    scale: float = 1.0
    """By how much the model's step is wrong, in this belief."""
    as_stated: bool = True
    """The screws answer as the model says (or, where it says nothing, clockwise raises)."""

    def share_below(self, mm: float) -> float:
        cut = _normal_below(0.0, self.mean_mm, self.sd_mm)
        return max(_normal_below(mm, self.mean_mm, self.sd_mm) - cut, 0.0) / max(1.0 - cut, 1e-300)


@dataclass(frozen=True, slots=True, kw_only=True)
class StepBelief:
    """What is believed of one machine's rise per tooth, and of what a clockwise turn seen from below does."""

    senses: tuple[_Sense, ...]
    told: TurningSense
    stated: bool
    """Whether the model states the sense."""
    reference_machine: str = ""
    """Another machine of the model, whose moves have shown the sense told, where the model does not state it."""
    nominal_mm: float | None
    moves: int = 0

    @property
    def step_mm(self) -> float:
        """The likeliest rise per tooth, mm, without its sense."""
        return max(self._likelier.mean_mm, 0.0)

    @property
    def sd_mm(self) -> float:
        """Standard deviation of the likeliest rise per tooth, mm."""
        return self._likelier.sd_mm

    @property
    def chance_other_way(self) -> float:
        """How likely it is that the screws answer the other way than told."""
        return sum(sense.weight for sense in self.senses if not sense.as_stated)

    @property
    def clockwise(self) -> TurningSense | None:
        """What a clockwise turn seen from below does; None while it is not known well enough."""
        if self.moves and max(self.chance_other_way, 1.0 - self.chance_other_way) < SURE:
            return None
        if not self.moves:
            return self.told if self.stated or self.reference_machine else None
        return self.likelier_sense

    @property
    def likelier_sense(self) -> TurningSense:
        """The likelier sense of a clockwise turn seen from below, however little is known."""
        if self.chance_other_way <= 0.5:
            return self.told
        return "lowers" if self.told == "raises" else "raises"

    @property
    def way_known(self) -> bool:
        """Whether it can be said of a turn which way the bed is to go."""
        return max(self.chance_other_way, 1.0 - self.chance_other_way) >= LIKELY

    @property
    def learned(self) -> bool:
        """Whether a move has shown step and sense, so that the rest can be turned at once."""
        if self.moves == 0 or self.clockwise is None:
            return False
        low, high = self.interval_mm
        return high - low <= 0.5 * self.step_mm

    @property
    def interval_mm(self) -> tuple[float, float]:
        """95 % interval of the rise per tooth, mm."""
        return self._quantile(0.025), self._quantile(0.975)

    def could_lift(self, rise_mm: float, teeth: int, sd_mm: float, within_sd: float) -> bool:
        """Whether so many teeth, either way round, can have lifted the bed by that: under any belief still held."""
        return any(
            abs(abs(rise_mm) - teeth * sense.mean_mm) <= within_sd * math.hypot(teeth * sense.sd_mm, sd_mm)
            for sense in self.senses
            if sense.weight > HELD
        )

    @property
    def _likelier(self) -> _Sense:
        other = self.chance_other_way > 0.5
        return max((sense for sense in self.senses if sense.as_stated != other), key=lambda sense: sense.weight)

    def _quantile(self, share: float) -> float:
        senses = [sense for sense in self.senses if sense.weight > 1e-9]
        low, high = 0.0, max(sense.mean_mm + 10 * sense.sd_mm for sense in senses)
        for _ in range(40):
            middle = (low + high) / 2
            below = sum(sense.weight * sense.share_below(middle) for sense in senses)
            low, high = (middle, high) if below < share else (low, middle)
        return (low + high) / 2


def first_belief(model: Model, reference_machine: tuple[str, TurningSense] | None = None) -> StepBelief:
    """The belief before any move: lead / pulley teeth ± 20 %, or wide where the model does not say.

    reference_machine: another machine of the model and the sense that its moves have shown; it counts where the model
    is silent.
    """
    if model.clockwise is not None:
        reference_machine = None
    nominal = model.tooth_step_mm
    mean, sd = WIDE_MM if nominal is None else (nominal, NOMINAL_SPREAD * nominal)
    right = 0.5 if model.clockwise is None and reference_machine is None else STATED_SENSE_RIGHT
    scales = () if nominal is None else WRONG_BY
    senses = []
    for as_stated, chance in ((True, right), (False, 1.0 - right)):
        senses.append(_Sense(chance * (1.0 - len(scales) * WRONG_LEAD), mean, sd, 1.0, as_stated))
        senses += [
            _Sense(chance * WRONG_LEAD, scale * mean, WRONG_SPREAD * scale * mean, scale, as_stated) for scale in scales
        ]
    return StepBelief(
        senses=tuple(senses),
        told=model.clockwise or (reference_machine[1] if reference_machine else "raises"),
        stated=model.clockwise is not None,
        reference_machine=reference_machine[0] if reference_machine else "",
        nominal_mm=nominal,
    )


def learn_move(belief: StepBelief, teeth: int, rise_mm: float, sd_mm: float, doubt: float = DOUBT) -> StepBelief:
    """The belief after a move of `teeth` whole teeth, turned the way that should raise the bed where positive.

    rise_mm: by how much the bed rose at that screw against the reference screw, from a reading before and one after;
    sd_mm its standard deviation, > 0. doubt: how likely it was turned the other way round, above 0 and under 1. A move
    of no teeth says nothing. Raises ValueError for a sd that is not positive and for teeth that are not whole.
    """
    if not float(teeth).is_integer():
        raise ValueError(f"a belt moves by whole teeth; got {teeth!r}")
    if not sd_mm > 0:
        raise ValueError(f"the sd of an observed move must be above 0 mm; got {sd_mm!r}")
    if teeth == 0:
        return belief
    updated = [_update(sense, teeth if sense.as_stated else -teeth, rise_mm, sd_mm, doubt) for sense in belief.senses]
    best = max(odds for _, odds in updated)
    weights = [math.exp(odds - best) for _, odds in updated]
    total = sum(weights)
    senses = (replace(sense, weight=weight / total) for (sense, _), weight in zip(updated, weights, strict=True))
    return replace(belief, senses=tuple(senses), moves=belief.moves + 1)


def learn_turn(belief: StepBelief, teeth: int, rise_mm: float, sd_mm: float, doubt: float = DOUBT) -> StepBelief:
    """`learn_move` for teeth as the hand turned them: positive for clockwise seen from below."""
    return learn_move(belief, teeth if belief.told == "raises" else -teeth, rise_mm, sd_mm, doubt)


def belief_from_turns(model: Model, turns: Iterable[tuple[int, float, float]]) -> StepBelief:
    """The belief after turns made on a machine: (teeth, rise_mm, sd_mm) each, in time order.

    teeth here are as the hand turned them: positive for clockwise seen from below, whatever that does to the bed.
    """
    belief = first_belief(model)
    for teeth, rise_mm, sd_mm in turns:
        belief = learn_turn(belief, teeth, rise_mm, sd_mm)
    return belief


def other_drive_sentence(count: int) -> str:
    """That so many moves on record were made with other screws or another drive; empty for none."""
    if not count:
        return ""
    moves, were, say = ("1 move", "was", "says") if count == 1 else (f"{count} moves", "were", "say")
    return f"{moves} on record {were} made with other screws or another drive, and {say} nothing of these."


def step_differences(belief: StepBelief) -> tuple[str, ...]:
    """In plain sentences where a machine differs from its model: turning sense, tooth step."""
    if not belief.moves:
        return ()
    said = []
    if (belief.stated or belief.reference_machine) and belief.chance_other_way > SURE:
        does = "lowers" if belief.told == "raises" else "raises"
        other = "the other way" if belief.stated else f"the other way than those of {belief.reference_machine}"
        said.append(f"Its screws answer {other}: a clockwise turn, seen from below, {does} the bed.")
    low, high = belief.interval_mm
    nominal = belief.nominal_mm
    outside = nominal is not None and not low <= nominal <= high
    if nominal is not None and outside and abs(belief.step_mm - nominal) > WORTH_SAYING * nominal:
        said.append(
            f"One tooth lifts {belief.step_mm:.3f} mm here ({low:.3f} to {high:.3f}), "
            f"not {nominal:.3f} mm as its model says."
        )
    times = None if nominal is None else _times(belief.step_mm / nominal)
    if times is not None and belief.learned:
        said.append(f"{times.capitalize()}: check lead_mm (pitch × starts) and pulley_teeth of its model.")
    elif times is not None:
        said.append(
            f"One tooth lifted {belief.step_mm:.3f} mm, {times} as its model says: another count of teeth was "
            "turned, or its lead_mm (pitch × starts) or pulley_teeth is wrong. One tooth more shows which."
        )
    return tuple(said)


def _times(ratio: float) -> str | None:
    """In words by how much a step is wrong, where that is a whole factor as of a lead entered wrong."""
    return next((words for by, words in _TIMES.items() if abs(ratio / by - 1.0) <= WRONG_BY_ABOUT), None)


def _update(sense: _Sense, teeth: int, rise_mm: float, sd_mm: float, doubt: float) -> tuple[_Sense, float]:
    """The sense after a move that was made as recorded or, with little doubt, the other way round or by another count.

    These lie far apart (a step is above zero), so that the likeliest one stands for all in mean and sd.
    """
    way = 1 if teeth > 0 else -1
    made = {teeth: math.log1p(-doubt), -teeth: math.log(doubt)}
    for count in (teeth + way, 2 * teeth):
        made.setdefault(count, math.log(MISCOUNTED))
    found = [
        (after, odds + chance)
        for count, chance in made.items()
        for after, odds in (_after(sense, count, rise_mm, sd_mm),)
    ]
    best = max(odds for _, odds in found)
    weight = best + math.log(sum(math.exp(odds - best) for _, odds in found))
    return max(found, key=lambda one: one[1])[0], weight


def _after(sense: _Sense, teeth: int, rise_mm: float, sd_mm: float) -> tuple[_Sense, float]:
    """The sense's step after c = teeth·step + noise, and the log of its weight times the likelihood of c."""
    spread = teeth**2 * sense.sd_mm**2 + sd_mm**2
    off = rise_mm - teeth * sense.mean_mm
    gain = teeth * sense.sd_mm**2 / spread
    mean = sense.mean_mm + gain * off
    sd = sense.sd_mm * sd_mm / math.sqrt(spread)
    # A step is above zero: what a normal belief would put below it is not part of this sense.
    kept = math.log(max(_above_zero(mean, sd), 1e-300)) - math.log(max(_above_zero(sense.mean_mm, sense.sd_mm), 1e-300))
    weight = math.log(max(sense.weight, 1e-300)) - 0.5 * math.log(spread) - 0.5 * off**2 / spread + kept
    return replace(sense, mean_mm=mean, sd_mm=sd), weight


def _above_zero(mean: float, sd: float) -> float:
    return 0.5 * math.erfc(-mean / (sd * math.sqrt(2.0)))


def _normal_below(value: float, mean: float, sd: float) -> float:
    return 0.5 * math.erfc(-(value - mean) / (sd * math.sqrt(2.0)))
