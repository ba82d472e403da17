"""Cause and advice: from what a mesh is made of to what a person should do, rule by rule.

The rules are read in order; the first that fits gives the cause and the advice in the order it is to be done.

    within usable                                     none     plan-ahead | watch | leave
    R without spikes ≤ usable                         probe    check-probe
    F > usable, two screws, the plate itself usable   frame    (realign,) shim
    F > usable, reversed and it stayed                frame    (realign,) check-probe
    F > usable, reversed, not the machine's alone     plate    plate            both: realign, plate
    F > usable                                        plate    turn-plate       both: realign, turn-plate
    R* + sd ≤ usable, and teeth win back enough       screws   realign
    teeth win back a third of R − F                   screws   realign, shim
    else: the tooth floor                             screws   shim

R is the range, R* the tooth floor, F the least range any setting of this machine's screws could leave; enough is what
a plan is made for: 10 % of R, and 2 sd. Before all of them stand `re-mesh` while the evidence is not enough, and
`inspect-drive` before a realignment that would not hold.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from farmwatch.follow import Reversal
from farmwatch.judge.condition import two_that_change
from farmwatch.judge.tables import CAUSES, Advice, Cause

__all__ = ["Evidence", "Spiking", "Verdict", "judge_cause"]

# "Teeth win back at least a quarter of R": then the screws have a share in it beside the plate.
BOTH_SHARE = 0.25
# "… at least a third of R − F": then a realignment is worth its work before shims do the rest.
REALIGN_SHARE = 1 / 3
PLAN_SHARE = 0.10
EDGE_SD = 2.0
PLAN_AHEAD_DAYS = 28.0
MESHES_THAT_SETTLE = 30

DriveFault = Literal["jumped-again", "came-back"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Spiking:
    """Bad points of the last judged meshes of one grid, beside those of the newest one.

    `same` meshes before it have a bad point at a place of the newest one's, `elsewhere` have theirs at other places.
    """

    meshes: int
    same: int
    elsewhere: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """What the rules weigh; lengths mm. `floor_mm` is None where the drive has no teeth or their step is unknown."""

    range_mm: float
    range_sd_mm: float
    range_without_spikes_mm: float
    """Range without spikes."""
    best_reachable_mm: float
    """F: what is left at the best real-number setting of this machine's screws, spikes out."""
    said_form_mm: float
    """F of the judged mesh, as every surface shows it: what is decided rests on the mean of several."""
    said_floor_mm: float | None
    """What its drive can leave of the judged mesh, shown likewise; None where the step of a belt is not known."""
    best_reachable_sd_mm: float
    """Standard deviation of F, that of a mean where F is one."""
    plate_mm: float
    """Flatness deviation of the bed itself (MZPL); differs from F where two screws cannot tilt it both ways."""
    floor_mm: float | None
    usable_mm: float
    ideal_mm: float
    confirmed: bool
    """Whether it is confirmed that the range is past the usable limit (or, where it is not past, that it is not)."""
    mean_range_mm: float | None = None
    """The range of the mean that F and floor are of, spikes out; None: as that of the judged mesh."""
    past: bool | None = None
    """Whether its condition is past the usable limit; None: as the range says."""
    over_ideal: bool | None = None
    """The same of the ideal limit."""
    ideal_agrees: bool = True
    """Whether the newest mesh lies on the same side of the ideal limit as the condition."""
    twisted: str = ""
    """Which of four screws is off the plane of the others, where one bends the bed; empty otherwise."""
    free_drive: bool = False
    screws: int = 3
    meshes: int = 1
    """How many meshes in a row say the same."""
    spikes: int = 0
    spiking: Spiking | None = None
    reversal: Reversal | None = None
    drive_fault: DriveFault | None = None
    crossing_days: float | None = None
    """The forecast's 50 % day."""

    @property
    def is_past(self) -> bool:
        """Whether the machine is past its usable limit: a mesh near it does not say so by itself."""
        return self.range_mm > self.usable_mm if self.past is None else self.past

    @property
    def is_over_ideal(self) -> bool:
        """Whether the machine is over the ideal limit."""
        return self.range_mm > self.ideal_mm if self.over_ideal is None else self.over_ideal

    @property
    def drive_best_mm(self) -> float:
        """R*: the least range this machine's drive can leave; F where no step is known or the drive has none."""
        return self.best_reachable_mm if self.floor_mm is None else self.floor_mm

    @property
    def gain_mm(self) -> float:
        """What the screws can win back."""
        return self.of_mm - self.drive_best_mm

    @property
    def of_mm(self) -> float:
        """The range that the screws can win back a part of."""
        return self.range_without_spikes_mm if self.mean_range_mm is None else self.mean_range_mm

    @property
    def said_best_mm(self) -> float:
        """The least range that this machine's drive can leave of the judged mesh, as every surface shows it."""
        return self.said_form_mm if self.said_floor_mm is None else self.said_floor_mm

    @property
    def min_gain_mm(self) -> float:
        """The least gain that a plan is made for: 10 % of R and 2 sd."""
        return max(PLAN_SHARE * self.range_mm, EDGE_SD * self.range_sd_mm)


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """Cause, advice in the order it is to be done, and the reasons in plain sentences."""

    cause: Cause
    advice: tuple[Advice, ...]
    suspected: Cause | None = None
    """What it looks like, while the cause is unclear or not confirmed."""
    at_tooth_floor: bool = False
    reasons: tuple[str, ...] = ()


def judge_cause(e: Evidence) -> Verdict:
    """Cause, advice and reasons; see the table at the head of this module."""
    if not e.is_past:
        return _within_limit(e)
    verdict = _past_limit(e)
    others = [_past_limit(shifted) for shifted in _edges(e)]
    for other in others:
        if other.cause != verdict.cause and other.advice[0] != verdict.advice[0]:
            return _unclear(e, verdict, other)
    verdict = _right_either_way(verdict, others)
    if e.confirmed:
        # What ends the suspicion of a probe is said with it.
        otherwise = () if verdict.cause == "probe" else (_otherwise(e),)
        return replace(verdict, reasons=(*verdict.reasons, *otherwise))
    first: tuple[Advice, ...] = ("re-mesh",)
    return replace(
        verdict, advice=first + verdict.advice, suspected=verdict.cause, reasons=(_not_confirmed(e), *verdict.reasons)
    )


def _right_either_way(verdict: Verdict, others: Sequence[Verdict]) -> Verdict:
    """Of verdicts that name one cause and begin otherwise, one that turns no screw, where there is one.

    Near an edge within one cause nothing is unclear: a turn is advised only where it pays on either side.
    """
    if "realign" not in verdict.advice:
        return verdict
    begin_otherwise = (other for other in others if other.advice[0] != verdict.advice[0])
    return next((other for other in begin_otherwise if "realign" not in other.advice), verdict)


def _within_limit(e: Evidence) -> Verdict:
    if e.crossing_days is not None and e.crossing_days <= PLAN_AHEAD_DAYS:
        advice: Advice = "plan-ahead"
        reason = f"At this drift it will probably pass the limit within {max(e.crossing_days, 0):.0f} days."
    elif e.range_mm > e.usable_mm:
        advice = "watch"
        reason = (
            f"Still usable: {e.range_mm:.2f} mm is over the limit of {e.usable_mm:.2f} by no more than meshes of one "
            "bed differ; if the next ones stay over it, the machine is past its limit."
        )
    elif e.is_over_ideal:
        advice, reason = "watch", "Mesh compensation can hide this range: watch it, no work needed."
    else:
        advice, reason = "leave", "No action needed."
    if e.confirmed:
        # Between ideal and usable one mesh changes nothing but the words; nobody need mesh again for them.
        said = (reason,) if e.ideal_agrees else (reason, _ideal_in_doubt(e))
        return Verdict(cause="none", advice=(advice,), reasons=said)
    doubt = "The newest mesh is under the limit, the ones before were not: one more mesh, an hour later, settles it."
    return Verdict(cause="none", advice=("re-mesh", advice), reasons=(doubt, reason))


def _ideal_in_doubt(e: Evidence) -> str:
    stands, reads = ("usable", "within") if e.range_mm <= e.ideal_mm else ("ideal", "over")
    return (
        f"Still {stands}: only one mesh is {reads} the ideal limit of {e.ideal_mm:.2f} mm; "
        "more like it would change that."
    )


def _past_limit(e: Evidence) -> Verdict:
    if e.spikes and e.range_without_spikes_mm <= e.usable_mm:
        without = f"Leave out {_points(e.spikes)} and the range is {e.range_without_spikes_mm:.2f} mm: the bed is fine."
        return Verdict(cause="probe", advice=("check-probe",), reasons=(without, _whose_points(e)))
    verdict = _with_drive(e, _form(e) if e.best_reachable_mm > e.usable_mm else _screws(e))
    if not e.spikes:
        return verdict
    rest = f"{_points(e.spikes).capitalize()} left out of this. {_whose_points(e)}"
    return replace(verdict, advice=(*verdict.advice, "check-probe"), reasons=(*verdict.reasons, rest))


def _whose_points(e: Evidence) -> str:
    """Whether bad points come from the probe, which misreads anywhere, or from the plate, which stays as it is."""
    if e.spiking is None or not (e.spiking.same or e.spiking.elsewhere):
        return "Clean plate and nozzle and probe again: the same point again is the plate, another point is the probe."
    of = f"of the last {e.spiking.meshes} meshes"
    if e.spiking.same >= e.spiking.elsewhere:
        return f"The same point is off in {e.spiking.same + 1} {of}: look for dirt or a dent there; the probe is fine."
    return f"Bad points in {e.spiking.elsewhere + e.spiking.same + 1} {of}, at different places: it is the probe."


def _form(e: Evidence) -> Verdict:
    """F > usable: no setting of the screws is enough."""
    helps = e.gain_mm >= max(BOTH_SHARE * (e.mean_range_mm or e.range_mm), e.min_gain_mm)
    lead: tuple[Advice, ...] = ("realign",) if helps else ()
    left = f"The screws can't remove the last {e.said_form_mm:.2f} mm; the limit is {e.usable_mm:.2f} mm."
    if e.screws == 2 and e.plate_mm <= e.usable_mm:
        across = (
            "The bed itself is flat enough; it leans across the line of its two screws, where they can't reach. "
            "Shim the bed's guides on the low side."
        )
        return Verdict(cause="frame", advice=(*lead, "shim"), reasons=(left, across))
    blamed, last, why = _blame(e.reversal)
    if not helps:
        return Verdict(cause=blamed, advice=(last,), reasons=(left, why))
    won = e.range_without_spikes_mm - e.said_best_mm
    share = f"The screws can remove {won:.2f} of the {e.range_mm:.2f} mm."
    return Verdict(cause="both" if blamed == "plate" else blamed, advice=(*lead, last), reasons=(left, share, why))


def _blame(reversal: Reversal | None) -> tuple[Cause, Advice, str]:
    if reversal is None:
        why = "Probably the plate. To be sure, turn it 180° and probe: if the shape turns with it, it's the plate."
        return "plate", "turn-plate", why
    sized = (
        f"With the plate turned 180°, {reversal.plate_mm:.2f} mm of the shape turned with it and "
        f"{reversal.frame_mm:.2f} mm stayed"
    )
    if reversal.verdict == "plate":
        return "plate", "plate", f"{sized}: it's the plate."
    if reversal.verdict == "frame":
        return (
            "frame",
            "check-probe",
            f"{sized}: the shape belongs to the machine (gantry, rails or probe), not to the plate.",
        )
    if reversal.verdict == "both":
        return "plate", "plate", f"{sized}: the plate first, then gantry, rails and probe."
    if reversal.verdict == "unclear":
        return "plate", "turn-plate", f"{sized}: too close to call; turn the plate back and probe once more."
    alike = (
        f"{reversal.undecided_mm:.2f} mm looks the same either way round, so turning the plate can't tell whose it is"
    )
    return "plate", "plate", f"{alike}. Probe with another plate before you replace this one."


def _screws(e: Evidence) -> Verdict:
    """F ≤ usable: the screws, as real numbers, could do it; teeth are whole."""
    could = f"Without the tilt, the bed is flat to {e.said_form_mm:.2f} mm."
    if e.twisted:
        could = (
            f"{e.twisted} Without that it is flat to {e.said_form_mm:.2f} mm. If the mesh after the move does not "
            "show it gone, turn it back: then the plate is bent so."
        )
    if e.floor_mm is None:
        known = (
            "Each screw can be set to any height: turn by the millimetres given."
            if e.free_drive
            else "We don't know yet how far one tooth lifts: turn one screw by one tooth and probe, and we will."
        )
        return Verdict(cause="screws", advice=("realign",), reasons=(could, known))
    after = f"After the move: about {e.said_best_mm:.2f} mm"
    # Near these edges shims are right either way, so they make nothing unclear: a turn is advised only where it pays.
    if e.gain_mm >= e.min_gain_mm and e.floor_mm + e.range_sd_mm <= e.usable_mm:
        return Verdict(cause="screws", advice=("realign",), reasons=(could, f"{after}."))
    if e.gain_mm >= max(REALIGN_SHARE * (e.of_mm - e.best_reachable_mm), e.min_gain_mm):
        rest = f"{after}, the best whole teeth can do; shims do the rest."
        return Verdict(cause="screws", advice=("realign", "shim"), reasons=(could, rest))
    floor = f"Whole teeth can't better {e.said_best_mm:.2f} mm. Shim it or accept it."
    return Verdict(cause="screws", advice=("shim",), at_tooth_floor=True, reasons=(could, floor))


def _with_drive(e: Evidence, verdict: Verdict) -> Verdict:
    """A realignment of a drive that does not hold is work lost: look at the drive first."""
    if e.drive_fault is None or verdict.cause not in ("screws", "both"):
        return verdict
    what = (
        "The same screw has jumped a tooth twice within 90 days"
        if e.drive_fault == "jumped-again"
        else "It was back past the limit within 28 days of a repair"
    )
    why = f"{what}: check belt tension, pulley clamps, wear and signs of a collision first."
    return replace(verdict, advice=("inspect-drive", *verdict.advice), reasons=(why, *verdict.reasons))


def _edges(e: Evidence) -> Iterator[Evidence]:
    """The same evidence with each share moved by 2 sd, to either side of its rule's edge."""
    for way in (-1, 1):
        # After so many alike another mesh tells no more: the likelier side is taken.
        settled = e.meshes >= MESHES_THAT_SETTLE
        if not settled:
            form = way * EDGE_SD * e.best_reachable_sd_mm
            plate_mm = max(e.plate_mm + form, 0.0)
            yield replace(e, best_reachable_mm=max(e.best_reachable_mm + form, 0.0), plate_mm=plate_mm)
        if e.best_reachable_mm > e.usable_mm and not settled:
            gain = way * EDGE_SD * e.range_sd_mm / e.meshes**0.5
            yield replace(e, floor_mm=max(e.drive_best_mm + gain, 0.0))
        if e.spikes:
            yield replace(
                e, range_without_spikes_mm=min(e.range_without_spikes_mm + way * EDGE_SD * e.range_sd_mm, e.range_mm)
            )


def _unclear(e: Evidence, verdict: Verdict, other: Verdict) -> Verdict:
    between = (
        f"It could be {_either(verdict)} or {_either(other)}; the meshes can't tell yet: of {e.range_mm:.2f} mm, "
        f"{e.best_reachable_mm:.2f} ± {e.best_reachable_sd_mm:.2f} mm is the bed's own shape and "
        f"{e.gain_mm:.2f} ± {e.range_sd_mm:.2f} mm could be turned away; the limit is {e.usable_mm:.2f} mm."
    )
    again = "Probe again, hot: each mesh makes it clearer."
    return Verdict(cause="unclear", advice=("re-mesh",), suspected=verdict.cause, reasons=(between, again))


def _either(verdict: Verdict) -> str:
    return CAUSES[verdict.cause].whose


def _not_confirmed(e: Evidence) -> str:
    return (
        f"Only one mesh shows {e.range_mm:.2f} mm, too near the limit of {e.usable_mm:.2f} mm to act on. "
        "Probe again, hot, an hour later; the rest holds only if that mesh says the same."
    )


def _otherwise(e: Evidence) -> str:
    """What would change our mind: see the rule of `condition`."""
    enough = max(math.floor(100 * two_that_change(e.usable_mm, e.range_sd_mm)) / 100, 0.0)
    return f"We'd drop this after two hot meshes an hour apart at {enough:.2f} mm or less, or one well below."


def _points(count: int) -> str:
    return "one bad point" if count == 1 else f"{count} bad points"
