"""What the move of a rigid bed says of its screws, where there are more of them than a plane needs. Pure.

The meshes show a plane and how it moved; four screws have one setting more than a plane. One screw up is the same plane
as its partner across down: what was told decides which is meant, and where nothing was told both are named.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from farmwatch.measure import influence
from farmwatch.mesh import Floats

__all__ = ["SCREWS_OF_A_PLANE", "MoveExplanation", "explain_move", "single_move"]

SCREWS_OF_A_PLANE = 3
# Squared distances in sd (chi-squared of two degrees, p = 3e-4): what an explanation may leave, and may be nothing.
_LEFT = 16.0
# Explanations that leave so little more than the best are as good.
_AS_GOOD = 4.0


@dataclass(frozen=True, slots=True, eq=False)
class MoveExplanation:
    """The rise of each screw `[k]` that explains a move of the plane, its sd, and what else would."""

    rise_mm: Floats
    sd_mm: Floats
    as_told: bool
    """All that was told moved by one factor (or nothing moved), and nothing else did."""
    also: tuple[int, ...] = ()
    """Screws of which one, moved alone in place of the one named, moves the plane in the same way."""


def explain_move(
    screws_xy: ArrayLike, reference_index: int, rise_mm: Floats, covariance: Floats, told_mm: Floats
) -> MoveExplanation:
    """Which screws moved, from the rise of the plane at each screw relative to the reference.

    screws_xy `[k, 2]` mm, k > 3; rise_mm `[k]` and its covariance `[k, k]`; told_mm `[k]` the rises told, 0 where
    none. Least squares through all screws: first all told ones by one factor, then that, or nothing of it, and one
    screw more. Where nothing explains it, the plane at each screw is given as it is.
    """
    seen, weight, does = _slopes(screws_xy, reference_index, rise_mm, covariance)
    told = does @ told_mm
    if told_mm.any():
        factor, left, sd = _fitted(seen, told, weight)
        if left <= _LEFT:
            return MoveExplanation(factor * told_mm, _sd_of(told_mm, sd, covariance), True)
    elif seen @ weight @ seen <= _LEFT:
        return MoveExplanation(np.zeros_like(rise_mm), _sd_of(told_mm, 0.0, covariance), True)
    return _one_more(seen, weight, does, told_mm, reference_index, rise_mm, covariance)


def single_move(
    screws_xy: ArrayLike, reference_index: int, rise_mm: Floats, covariance: Floats
) -> MoveExplanation | None:
    """The one screw that explains a move of the plane best, and those that would as well; None where no one screw does.

    Arguments as of `explain_move`, with nothing told.
    """
    seen, weight, does = _slopes(screws_xy, reference_index, rise_mm, covariance)
    found = _one_more(seen, weight, does, np.zeros_like(rise_mm), reference_index, rise_mm, covariance)
    return found if np.count_nonzero(found.rise_mm) == 1 else None


def _slopes(
    screws_xy: ArrayLike, reference_index: int, rise_mm: Floats, covariance: Floats
) -> tuple[Floats, Floats, Floats]:
    """Slopes of the plane, all that is seen of it; their weight; and the slopes that one mm at each screw makes."""
    screws = np.asarray(screws_xy, dtype=np.float64)
    at_screws = influence(screws, reference_index, *screws.T)
    to_slopes: Floats = np.asarray(np.linalg.pinv(screws - screws[reference_index]), dtype=np.float64)
    weight: Floats = np.asarray(np.linalg.pinv(to_slopes @ covariance @ to_slopes.T), dtype=np.float64)
    return to_slopes @ rise_mm, weight, to_slopes @ (at_screws.T - at_screws.T[reference_index])


def _one_more(
    seen: Floats,
    weight: Floats,
    does: Floats,
    told_mm: Floats,
    reference_index: int,
    rise_mm: Floats,
    covariance: Floats,
) -> MoveExplanation:
    """What was told, or nothing of it, and one screw more; a movable screw before the reference."""
    bases: Sequence[Floats] = (told_mm, np.zeros_like(told_mm)) if told_mm.any() else (told_mm,)
    tried = []
    for base in bases:
        for i in range(len(told_mm)):
            amount, left, sd = _fitted(seen - does @ base, does[:, i], weight)
            if left <= _LEFT:
                tried.append((left, i, base, amount, sd))
    if not tried:
        return MoveExplanation(rise_mm, np.sqrt(np.maximum(np.diagonal(covariance), 0.0)), False)
    least = min(left for left, *_ in tried)
    good = [one for one in tried if one[0] <= least + _AS_GOOD]
    _, which, base, amount, sd = min(good, key=lambda one: (one[1] == reference_index, told_mm[one[1]] == 0, one[1]))
    rise = base.copy()
    rise[which] += amount
    also = tuple(dict.fromkeys(i for _, i, other, *_ in good if i != which and other is base))
    return MoveExplanation(rise, _sd_of(rise, sd / max(abs(amount), 1e-9), covariance), False, also)


def _fitted(seen: Floats, does: Floats, weight: Floats) -> tuple[float, float, float]:
    """The amount of `does` that fits the slopes seen best, the squared distance in sd that is left, and its sd."""
    strength = float(does @ weight @ does)
    if not strength > 0:
        return 0.0, float(seen @ weight @ seen), np.inf
    amount = float(does @ weight @ seen) / strength
    rest = seen - amount * does
    return amount, float(rest @ weight @ rest), strength**-0.5


def _sd_of(rise: Floats, share: float, covariance: Floats) -> Floats:
    """sd of each screw's rise: its share of the fit's, and where it did not move that of the plane there."""
    plane = np.sqrt(np.maximum(np.diagonal(covariance), 0.0))
    sd: Floats = np.where(rise != 0, np.abs(rise) * share, plane)
    return np.maximum(sd, 1e-6)
