"""How large a break in a series is, and whether it is a jump at all or only a bend of what drifts.

Two straight lines through a curve jump where they meet, though nothing did: a bed that swings with the year is such a
curve. A jump is there in the readings beside it too, where a parabola has taken the curve away; so it must be proven
twice, by the segments on either side and by what is near.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from farmwatch.follow.lines import Lines, fit_lines
from farmwatch.mesh import Floats

__all__ = ["FoundStep", "proven", "size_of", "sized_steps"]

Ints = NDArray[np.intp]

# Squared distances in sd, by number of movable screws, that a jump must reach to be one (chi-squared, p = 1e-5); a
# break of the line alone, a drift that sets in, is none.
_PROOF = (19.5, 23.0, 25.9, 28.5, 30.9)
# Slopes before and after differ when they do so by this much (p = 0.001); else they share one, which sizes better.
_OTHER_SLOPE = (10.8, 13.8, 16.3, 18.5, 20.5)
# What is near a break: readings within so many days, and so many readings, on either side; at least the few.
_NEAR_DAYS, _NEAR_READINGS, _FEW_READINGS = 60.0, 40, 6
# Days to a unit of time in which a curve is well conditioned.
_MONTH = 30.0


@dataclass(frozen=True, slots=True, eq=False)
class FoundStep:
    """A break in a series: the first reading after it, and by how much each column moved, with its covariance."""

    first_after: int
    mm: Floats
    covariance: Floats


def size_of(at: int, t: Floats, columns: Floats, u: Floats, noise: Floats) -> FoundStep:
    """Size of a break from a line through u `[n, m]` with `columns` `[n, q]`; the last is 1 after it, else 0."""
    fit = fit_lines(np.zeros(len(t), dtype=np.intp), 1, t, columns, u)
    return FoundStep(at, fit.coefficients[0, -1], float(fit.cofactor[0, -1, -1]) * noise)


def sized_steps(t: Floats, u: Floats, extra: Floats, starts: Ints, own: Lines, noise: Floats) -> list[FoundStep]:
    """Every break that is proven near by, sized from one fit of the two segments beside it.

    t `[n]`, u `[n, m]`, extra `[n, q]`; `starts` of the segments and their `own` lines. Both share one slope unless
    theirs differ. noise `[m, m]`: covariance of a mean of readings, times their number.
    """
    ends = [*starts[1:], len(t)]
    steps = []
    for k in range(1, len(starts)):
        begin, at, end = int(starts[k - 1]), int(starts[k]), int(ends[k])
        after = (np.arange(begin, end) >= at).astype(np.float64)[:, None]
        if not proven(_near(t, u, extra, (begin, at, end), noise)):
            continue
        columns = [extra[begin:end], after]
        if _slopes_differ(own, k, noise):
            columns.insert(1, after * (t[begin:end, None] - (t[at - 1] + t[at]) / 2))
        steps.append(size_of(at, t[begin:end], np.concatenate(columns, axis=1), u[begin:end], noise))
    return steps


def _near(t: Floats, u: Floats, extra: Floats, where: tuple[int, int, int], noise: Floats) -> FoundStep:
    """Size of the break at reading `at` between `begin` and `end`, from what is near to it, along a parabola."""
    begin, at, end = where
    middle = (t[at - 1] + t[at]) / 2
    first = int(np.searchsorted(t[begin:at], middle - _NEAR_DAYS)) + begin
    last = int(np.searchsorted(t[at:end], middle + _NEAR_DAYS, side="right")) + at
    first = max(begin, at - _NEAR_READINGS, min(first, at - _FEW_READINGS))
    last = min(end, at + _NEAR_READINGS, max(last, at + _FEW_READINGS))
    some = slice(first, last)
    curve = np.square((t[some, None] - middle) / _MONTH)
    after = (np.arange(first, last) >= at).astype(np.float64)[:, None]
    return size_of(at, t[some], np.concatenate([extra[some], curve, after], axis=1), u[some], noise)


def _slopes_differ(own: Lines, k: int, noise: Floats) -> bool:
    if own.count[k] < 6 or own.count[k - 1] < 6:
        return False
    change = own.coefficients[k, 1] - own.coefficients[k - 1, 1]
    spread = float(own.cofactor[k, 1, 1] + own.cofactor[k - 1, 1, 1])
    return spread > 0 and float(change @ np.linalg.solve(noise * spread, change)) > _OTHER_SLOPE[len(change) - 1]


def proven(step: FoundStep) -> bool:
    """Whether a step is farther from none than chance brings about once in 100,000 times."""
    m = len(step.mm)
    if not np.trace(step.covariance) > 0:
        return False
    return float(step.mm @ np.linalg.solve(step.covariance, step.mm)) > _PROOF[m - 1]
