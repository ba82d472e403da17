"""A bed that gives way: four screws that do not stand on one plane bend it, and the mesh shows which is off.

A rigid bed on four screws shows a plane whatever they stand at; then no mesh tells a screw from its partner across.
One that gives way follows them, and takes up what is off the plane of the others as a twist: the form that is
harmonic and changes sign from screw to screw (a thin plate held at its corners bends so: Timoshenko & Woinowsky-
Krieger, Theory of Plates and Shells, 2nd ed. 1959, art. 11: w = xy). Where that twist is nearly all of the form, and
is that of whole teeth at one screw, the screw is off, not the plate bent.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from itertools import product

import numpy as np
from numpy.typing import NDArray

from farmwatch.judge.tooth_plans import tooth_plan
from farmwatch.measure import grid_points, influence, minimum_zone_plane
from farmwatch.mesh import Floats
from farmwatch.model import Model

__all__ = ["Twist", "find_twist", "twist_sentence"]

FOUR = 4
# A screw is off by half a tooth or more, as far from whole teeth as a plate's own shape may add, or less.
LEAST_SHARE = 0.5
OFF_WHOLE_SHARE = 0.10
OFF_WHOLE_SD = 3.0
# A plate's own saddle may be as much: it is no matter, and with a small step it would be whole teeth.
LEAST_FORM_MM = 0.10
# How much of the form (sum of squares) is the twist's: a bowl or a ridge has none of it.
LEAST_EXPLAINED = 0.75
# A twist is believed where undoing it leaves so much less, in teeth and in mm, than any setting of a rigid bed.
WORTH_SHARE, WORTH_MM = 0.2, 0.05
MOST_TEETH = 12
_TIE_MM = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Twist:
    """One screw off the plane of the others, under a bed that follows it."""

    off_teeth: int
    """How many, never 0: of the first screw above the plane of the others (below: negative); its neighbours' have the
    other sign."""
    teeth: tuple[int, ...]
    """Whole teeth per screw, positive where it must raise the bed, 0 at the reference, that bring them to one plane."""
    influence: Floats
    """`[4, points]` what raising one screw does to a bed that follows it."""
    range_mm: float
    """Left when that is done."""
    form_mm: float
    """Flatness deviation (MZPL) of the bed without the twist."""


def find_twist(z: Floats, x: Floats, y: Floats, model: Model, step_mm: float, sigma_mm: float) -> Twist | None:
    """The twist of a mesh z `[points]` (NaN where missing) over x `[c]`, y `[r]`; None where there is none to tell.

    step_mm is the rise per tooth, sigma_mm the sd of a point. Only beds on four screws that lie in their own corners.
    """
    where = np.asarray(model.screws_xy, dtype=np.float64)
    if len(where) != FOUR:
        return None
    signs, twist = _twist_shape(where, *grid_points(x, y))
    here = np.isfinite(z)
    if twist is None or here.sum() <= FOUR:
        return None
    plane = np.column_stack([np.ones(z.size), *grid_points(x, y)])
    form, rest = _without(plane[here], z[here]), _without(plane[here], twist[here])
    weight = float(rest @ rest)
    if not weight > 0:
        return None
    amount = float(rest @ form) / weight
    # The first screw stands off the plane of the other three by all that the twist gives, as it would alone.
    off, sd = amount / float(signs[0]), sigma_mm / (weight**0.5 * abs(float(signs[0])))
    teeth = round(off / step_mm)
    loose = max(OFF_WHOLE_SHARE * step_mm, OFF_WHOLE_SD * sd)
    if not teeth or abs(off) < LEAST_SHARE * step_mm or abs(off - teeth * step_mm) > loose:
        return None
    if np.ptp(form) < LEAST_FORM_MM or amount**2 * weight < LEAST_EXPLAINED * float(form @ form):
        return None
    rigid = influence(where, model.reference_index, *grid_points(x, y))
    follows = rigid + signs[:, None] * twist[None, :]
    found, left = _best_teeth(z[here], follows[:, here] * step_mm, model, teeth, signs)
    gain = float(tooth_plan(z, rigid, step_mm, model.reference_index).range_mm) - left
    if gain < max(WORTH_SHARE * step_mm, WORTH_MM):
        return None
    without = np.where(here, z - amount * twist, np.nan)
    zone = minimum_zone_plane(*grid_points(x, y), without)
    return Twist(off_teeth=teeth, teeth=found, influence=follows, range_mm=left, form_mm=float(zone.width))


def twist_sentence(twist: Twist, model: Model) -> str:
    """Which screw is off, and how many teeth: "Rear right stands 1 tooth above the plane of the other three …"."""
    turned = [i for i, count in enumerate(twist.teeth) if count]
    counts = {twist.teeth[i] for i in turned}
    off = abs(twist.off_teeth)
    teeth = "1 tooth" if off == 1 else f"{off} teeth"
    which = None
    if len(turned) == 1 and abs(twist.teeth[turned[0]]) == off:
        which, up = turned[0], twist.teeth[turned[0]] < 0
    elif turned == list(model.movable) and counts in ({off}, {-off}):
        which, up = model.reference_index, counts == {off}
    if which is None:
        return f"The screws do not stand on one plane, by {teeth} at one of them, and bend the bed."
    name = model.screws[which].name.replace("-", " ").replace("_", " ")
    side = "above" if up else "below"
    return f"{name[:1].upper()}{name[1:]} stands {teeth} {side} the plane of the other three, and bends the bed."


def _twist_shape(where: Floats, px: Floats, py: Floats) -> tuple[Floats, Floats | None]:
    """How the screws stand off their plane when it is twisted `[4]`, of length 1, and the twist at the points.

    The second is None where a twist would move no screw: three of them in a line.
    """
    centre = where.mean(axis=0)
    held = where - centre
    _, size, right = np.linalg.svd(np.column_stack([np.ones(FOUR), held / np.abs(held).max()]).T)
    signs: Floats = right[-1]
    if size[-1] < 1e-6 * size[0] or np.abs(signs).min() < 0.1:
        return signs, None

    def saddles(x: Floats, y: Floats) -> Floats:
        return np.stack([x * y, (x * x - y * y) / 2])

    at_screws = saddles(*held.T)
    mix = at_screws @ signs
    at_screws = mix @ at_screws
    shape = mix @ saddles(px - centre[0], py - centre[1])
    # Without the plane through it, and 1 along the screws' own pattern.
    plane, *_ = np.linalg.lstsq(np.column_stack([np.ones(FOUR), held]), at_screws, rcond=None)
    level = np.column_stack([np.ones(px.size), px - centre[0], py - centre[1]]) @ plane
    scale = float(signs @ at_screws)
    return signs, (shape - level) / scale if scale > 0 else None


def _without(plane: Floats, z: Floats) -> Floats:
    found, *_ = np.linalg.lstsq(plane, z, rcond=None)
    rest: Floats = z - plane @ found
    return rest


def _best_teeth(z: Floats, lifts: Floats, model: Model, off: int, signs: Floats) -> tuple[tuple[int, ...], float]:
    """Whole teeth that take the twist away and leave the least range; of equals the fewest."""
    table = np.zeros((len(_settings()), FOUR), dtype=np.int64)
    table[:, list(model.movable)] = _settings()
    # Whole settings that undo the twist to the tooth: what is left of the pattern is under half a tooth of one screw.
    left = np.abs(table @ signs + off * signs[0])
    table = table[left < np.abs(signs).min() / 2]
    rough = table @ (lifts @ _corners(lifts, z)) + z @ _corners(lifts, z)
    order = np.argsort(np.ptp(rough, axis=1), kind="stable")
    best, width = table[order[0]], np.inf
    for row in order:
        if np.ptp(rough[row]) > width + _TIE_MM:
            break
        here = float(np.ptp(z + table[row] @ lifts))
        if here < width - _TIE_MM or (here < width + _TIE_MM and np.abs(table[row]).sum() < np.abs(best).sum()):
            best, width = table[row], here
    return tuple(int(n) for n in best), width


def _corners(lifts: Floats, z: Floats) -> Floats:
    """`[points, m]` that picks the points at which a tilted or twisted bed has its extremes."""
    picked = sorted(
        {int(p) for row in lifts for p in (row.argmin(), row.argmax())} | {int(z.argmin()), int(z.argmax())}
    )
    chosen: Floats = np.eye(z.size)[:, picked]
    return chosen


@lru_cache(maxsize=1)
def _settings() -> NDArray[np.int64]:
    return np.array(list(product(range(-MOST_TEETH, MOST_TEETH + 1), repeat=FOUR - 1)), dtype=np.int64)
