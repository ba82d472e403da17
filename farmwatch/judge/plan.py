"""The plan for one mesh: the best setting of its drive, what to turn, and what is left to shims."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from farmwatch.judge.assessment import Plan
from farmwatch.judge.tables import Advice, Cause
from farmwatch.judge.tooth_plans import shim_plan, tooth_plan
from farmwatch.judge.twist import Twist, find_twist
from farmwatch.measure import ReadingMeasures
from farmwatch.mesh import Floats
from farmwatch.model import Model

__all__ = ["BestSetting", "find_best_setting", "make_plan"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BestSetting:
    """The best this machine's drive can do with one mesh, spikes left out."""

    lift_mm: Floats
    """`[k]`, positive where the screw must raise the bed; 0 at the reference."""
    teeth: tuple[int, ...] | None
    """None for a free drive."""
    range_mm: float
    """For a belt the tooth floor R*; for a free drive F."""
    influence: Floats
    """`[k, points]` what raising one screw does to the bed."""
    twist: Twist | None = None
    """Where one of four screws stands off the plane of the others and the bed follows it."""


def find_best_setting(
    reading: ReadingMeasures, model: Model, step_mm: float | None, sigma_mm: float, usable_mm: float
) -> BestSetting | None:
    """The best setting of the drive for one mesh; None for a belt whose tooth step (step_mm, mm) is not known.

    sigma_mm: sd of a point. usable_mm: a twist is looked for in a mesh whose range is over this.
    """
    if model.drive == "free":
        lift = reading.leveling_lift()
        left = _spread(reading.z + lift @ reading.influence)
        return BestSetting(lift_mm=lift, teeth=None, range_mm=left, influence=reading.influence)
    if step_mm is None:
        return None
    best = tooth_plan(reading.z, reading.influence, step_mm, model.reference_index)
    if _spread(reading.z) > usable_mm:
        twist = find_twist(reading.z, reading.x, reading.y, model, step_mm, sigma_mm)
        if twist is not None:
            return BestSetting(
                lift_mm=np.array(twist.teeth) * step_mm,
                teeth=twist.teeth,
                range_mm=twist.range_mm,
                influence=twist.influence,
                twist=twist,
            )
    return BestSetting(
        lift_mm=best.teeth.astype(np.float64) * step_mm,
        teeth=tuple(int(count) for count in best.teeth),
        range_mm=float(best.range_mm),
        influence=reading.influence,
    )


def make_plan(
    reading: ReadingMeasures,
    model: Model,
    best: BestSetting | None,
    advice: tuple[Advice, ...],
    cause: Cause,
) -> Plan | None:
    """The plan to show: None where nobody is to turn or shim anything (under the limit, out of service, not clear yet),
    or where the plate is the cause. Turns are advised only where they are worth their work. Shims are in it where
    they are advised; without a realignment before them the teeth are 0.
    """
    if best is None or cause == "plate" or not {"realign", "shim"} & set(advice):
        return None
    only_shims = "shim" in advice and "realign" not in advice
    lift = np.zeros(len(model.screws)) if only_shims else best.lift_mm
    after = reading.z + lift @ best.influence
    left = _spread(reading.z) if only_shims else best.range_mm
    shims, shimmed = np.zeros(len(model.screws)), left
    if "shim" in advice and model.shim_stock_mm:
        found = shim_plan(after, reading.influence, model.shim_stock_mm)
        # Under the reference no shim goes where the screws bend the bed: it is what the others are set to.
        under_reference = best.twist is not None and found.shims_mm[model.reference_index] > 0
        if found.range_mm < left and not under_reference:
            shims, shimmed = found.shims_mm, found.range_mm
    teeth = (0,) * len(model.screws) if only_shims else best.teeth
    return Plan(
        teeth={} if teeth is None else {model.screws[i].name: teeth[i] for i in model.movable},
        range_after_mm=left,
        shims_mm={screw.name: float(shims[i]) for i, screw in enumerate(model.screws)},
        range_after_shims_mm=shimmed,
        turn_mm={model.screws[i].name: float(lift[i]) for i in model.movable},
    )


def _spread(z: Floats) -> float:
    return float(np.nanmax(z) - np.nanmin(z))
