"""The minimum-zone plane (MZPL, ISO 12781-1): the least max − min that taking a tilt away can leave.

min over (b, c) of max − min of z − b·x − c·y is a Chebyshev fit, a linear programme. At its optimum four points touch
(two high against two low, or three against one), and its dual weighs those four: Σλ = Σλx = Σλy = 0, Σ|λ| = 1. The
exchange (Stiefel 1959; the simplex method on the dual) swaps one touching point a round for the point that sticks
out most, for a whole stack at once. Touching width and true width meet only at the optimum, so every answer
carries its own proof; a reading whose two do not meet is handed to a linear-programme solver.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from farmwatch.measure.plane import least_squares_plane
from farmwatch.measure.points import PointStack, as_stack, masks
from farmwatch.mesh import Floats

__all__ = ["MinimumZone", "minimum_zone_along", "minimum_zone_plane"]

_ROUNDS = 60
_HEIGHTS_A_ROUND = 50_000
_SETTLED = 1e-12
# The right-hand side of the dual, nudged off zero: grids are full of points in a line, whose weights are zero, and a
# zero weight lets the exchange go round in a circle. What is nudged decides ties only, never the answer.
_NUDGE = (3.1e-7, 1.7e-7, 2.3e-7)


@dataclass(frozen=True, slots=True, eq=False)
class MinimumZone:
    """z ≈ a + bx·(x − x0) + by·(y − y0) midway between the two touching planes; `[n]`, or single numbers for one."""

    width: Floats
    """Vertical distance of the two planes, mm. (The distance along the normal is smaller by 1/√(1 + bx² + by²).)"""
    a: Floats
    bx: Floats
    by: Floats
    x0: float
    y0: float
    touching: NDArray[np.intp]
    """Indices of the touching points, `[4]` per reading (`[3]` along a line); −1 where the solver was asked."""


def minimum_zone_plane(x: ArrayLike, y: ArrayLike, z: ArrayLike) -> MinimumZone:
    """The minimum-zone plane of one reading or a stack, exact to rounding.

    x, y, z: equal-length 1-D arrays; or x, y `[points]` with z `[n, points]`; or axes x `[c]`, y `[r]` with z
    `[n, r, c]`. Heights may be NaN; a reading whose points lie in a line gives NaN.
    """
    stack = as_stack(x, y, z)
    return _zone(stack, np.eye(2))


def minimum_zone_along(x: ArrayLike, y: ArrayLike, z: ArrayLike, direction: ArrayLike) -> MinimumZone:
    """The least zone that tilting along one direction (dx, dy) only can reach: a bed on two screws.

    Shapes as `minimum_zone_plane`; the slopes found lie along `direction`.
    Raises ValueError where the direction has no length.
    """
    way = np.asarray(direction, dtype=np.float64)
    length = float(np.hypot(way[0], way[1]))
    if not length > 0:
        raise ValueError("a direction wants a length")
    return _zone(as_stack(x, y, z), (way / length)[:, None])


def _zone(stack: PointStack, directions: Floats) -> MinimumZone:
    """`directions [2, k]`: unit vectors along which the bed may be tilted."""
    x0, y0 = float(stack.x.mean()), float(stack.y.mean())
    along = np.column_stack([stack.x - x0, stack.y - y0]) @ directions
    size = float(np.abs(along).max()) or 1.0
    # Levelled heights of size one keep the exchange far from rounding, whatever the tilt.
    plane = least_squares_plane(stack.x, stack.y, stack.z)
    slopes = np.column_stack([plane.bx, plane.by]) @ directions
    level = stack.z - plane.a[:, None] - slopes @ along.T
    height = np.abs(np.nan_to_num(stack.z)).max(axis=1, initial=0.0)
    # In rounds that stay within a core's own cache.
    step = max(1, _HEIGHTS_A_ROUND // max(1, stack.x.size))
    rounds = [slice(i, i + step) for i in range(0, max(1, len(level)), step)]
    parts = [_solve(along / size, level[part], height[part]) for part in rounds]
    fit, touching = (np.concatenate(pieces) for pieces in zip(*parts, strict=True))
    rest = level - fit[:, 1:] @ (along / size).T
    high, low = _extremes(rest)
    tilt = (slopes + fit[:, 1:] / size) @ directions.T
    each = stack.each
    return MinimumZone(
        width=each(high - low),
        a=each(plane.a + (high + low) / 2),
        bx=each(tilt[:, 0]),
        by=each(tilt[:, 1]),
        x0=x0,
        y0=y0,
        touching=touching[0] if stack.one else touching,
    )


def _extremes(rest: Floats) -> tuple[Floats, Floats]:
    here = np.isfinite(rest)
    none = ~here.any(axis=1)
    high = np.where(here, rest, -np.inf).max(axis=1)
    low = np.where(here, rest, np.inf).min(axis=1)
    return np.where(none, np.nan, high), np.where(none, np.nan, low)


def _solve(along: Floats, level: Floats, size: Floats) -> tuple[Floats, NDArray[np.intp]]:
    """Chebyshev fit `[n, 1 + k]` of level `[n, points]` by 1 and along `[points, k]`, and the points that touch."""
    n, k = len(level), along.shape[1]
    fit = np.zeros((n, 1 + k))
    touching = np.full((n, k + 2), -1, dtype=np.intp)
    here, group = masks(level)
    start, spans = _starts(along, here)
    fit[~spans[group]] = np.nan
    enough = spans & (here.sum(axis=1) >= k + 2)
    rows = np.flatnonzero(enough[group] & np.isfinite(level).any(axis=1))
    heights = np.nan_to_num(level[rows])
    tolerance = _SETTLED * np.abs(heights).max(axis=1, initial=0.0) + 1e-15 * size[rows]
    present = None if len(here) == 1 else here[group[rows]]
    which = (np.cumsum(enough) - 1)[group[rows]]
    found = _exchange(along, heights, present, start[enough], which, tolerance)
    fit[rows] = found.fit
    touching[rows] = found.basis
    for row in rows[~found.settled]:
        fit[row] = _linear_programme(along[here[group[row]]], level[row, here[group[row]]])
        touching[row] = -1
    return fit, touching


def _starts(along: Floats, here: NDArray[np.bool_]) -> tuple[NDArray[np.intp], NDArray[np.bool_]]:
    """Touching points to start from, `[g, k + 2]`: far apart and in general position, and whether there are any."""
    groups, k = len(here), along.shape[1]
    count = np.maximum(here.sum(axis=1), 1)
    rows = np.arange(groups)
    off = np.broadcast_to(along, (groups, *along.shape)) - ((here @ along) / count[:, None])[:, None, :]
    chosen = np.zeros((groups, k + 2), dtype=np.intp)
    spans: NDArray[np.bool_] = np.asarray(here.any(axis=1))
    for i in range(k + 1):
        far = np.where(here, np.einsum("gpk,gpk->gp", off, off), -1.0)
        far[rows[:, None], chosen[:, :i]] = -1.0
        chosen[:, i] = far.argmax(axis=1)
        longest = off[rows, chosen[:, i]]
        if i == 0:
            off = off - longest[:, None, :]
            continue
        length = np.linalg.norm(longest, axis=1)
        spans = spans & (length > 1e-9)
        unit = longest / np.where(length > 0, length, 1.0)[:, None]
        off = off - np.einsum("gpk,gk->gp", off, unit)[:, :, None] * unit[:, None, :]
    corners = np.concatenate([np.ones((groups, k + 1, 1)), along[chosen[:, : k + 1]]], axis=2)
    corners[~spans] = np.eye(k + 1)
    weights = np.column_stack([np.ones(len(along)), along]) @ np.linalg.inv(corners)
    # The last point: the one whose dual weights are all far from zero.
    least = np.abs(weights).min(axis=2) / (1.0 + np.abs(weights).sum(axis=2))
    least = np.where(here, least, -1.0)
    least[rows[:, None], chosen[:, : k + 1]] = -1.0
    chosen[:, k + 1] = least.argmax(axis=1)
    return chosen, spans


@dataclass(slots=True)
class _Exchange:
    basis: NDArray[np.intp]
    fit: Floats
    settled: NDArray[np.bool_]


def _exchange(
    along: Floats,
    z: Floats,
    here: NDArray[np.bool_] | None,
    start: NDArray[np.intp],
    group: NDArray[np.intp],
    tolerance: Floats,
) -> _Exchange:
    n, k = len(z), along.shape[1]
    terms = np.column_stack([np.ones(len(along)), along])
    rhs = np.array([*_NUDGE[: k + 1], 1.0])
    sign, inverse = _first_inverses(terms, start, rhs)
    basis, sign, inverse = start[group], sign[group], inverse[group]
    result = _Exchange(basis.copy(), np.zeros((n, k + 1)), np.zeros(n, dtype=bool))
    open_ = np.arange(n)
    for _ in range(_ROUNDS):
        if not open_.size:
            break
        m = np.arange(open_.size)
        cost = sign * z[m[:, None], basis]
        dual = np.einsum("ni,nij->nj", cost, inverse)
        rest = z - dual[:, :-1] @ terms.T
        if here is not None:
            rest[~here] = 0.0
        size = np.abs(rest)
        enter = size.argmax(axis=1)
        done = size[m, enter] - np.abs(dual[:, -1]) <= tolerance
        done &= inverse[:, :, -1].min(axis=1) >= -1e-9
        result.fit[open_[done]] = dual[done, :-1]
        result.basis[open_[done]] = basis[done]
        result.settled[open_[done]] = True
        go = ~done
        came = np.where(rest[m, enter] < 0, -1.0, 1.0)[go]
        open_, z, tolerance, enter = open_[go], z[go], tolerance[go], enter[go]
        here = None if here is None else here[go]
        basis, sign, inverse = _swap(terms, rhs, basis[go], sign[go], inverse[go], enter, came)
    return result


def _first_inverses(terms: Floats, start: NDArray[np.intp], rhs: Floats) -> tuple[Floats, Floats]:
    """Signs `[g, m]` that make every (nudged) dual weight of a first basis positive, and the basis' inverse."""
    points = terms[start]
    _, _, vt = np.linalg.svd(np.swapaxes(points, 1, 2))
    sign = np.where(vt[:, -1, :] < -1e-12, -1.0, 1.0)
    inverse = _inverse(points, sign)
    sign = np.where(inverse @ rhs < 0, -sign, sign)
    inverse = _inverse(points, sign)
    return sign, inverse


def _inverse(points: Floats, sign: Floats) -> Floats:
    columns = np.concatenate([points * sign[:, :, None], np.ones((*sign.shape, 1))], axis=2)
    return np.linalg.inv(np.swapaxes(columns, 1, 2))


def _swap(
    terms: Floats,
    rhs: Floats,
    basis: NDArray[np.intp],
    sign: Floats,
    inverse: Floats,
    enter: NDArray[np.intp],
    came: Floats,
) -> tuple[NDArray[np.intp], Floats, Floats]:
    """One exchange: the entering point pushes out the touching point whose weight falls to zero first."""
    m = np.arange(len(basis))
    column = np.concatenate([terms[enter] * came[:, None], np.ones((len(m), 1))], axis=1)
    change = np.einsum("nij,nj->ni", inverse, column)
    weight = inverse @ rhs
    ratio = np.full(weight.shape, np.inf)
    np.divide(np.maximum(weight, 0.0), change, out=ratio, where=change > 1e-11)
    leave = ratio.argmin(axis=1)
    row = inverse[m, leave] / change[m, leave][:, None]
    inverse = inverse - change[:, :, None] * row[:, None, :]
    inverse[m, leave] = row
    basis[m, leave] = enter
    sign[m, leave] = came
    return basis, sign, inverse


def _linear_programme(along: Floats, z: Floats) -> Floats:
    """The same fit by scipy's HiGHS, for the readings that the exchange leaves open: `[1 + k]`."""
    size = float(np.abs(z).max()) or 1.0
    terms = np.column_stack([np.ones(len(along)), along])
    one = np.ones((len(along), 1))
    sides = np.block([[-terms, -one], [terms, -one]])
    # Imported here: it takes a second that hardly any run of any command needs.
    from scipy.optimize import linprog

    answer: Any = linprog(
        np.array([0.0] * terms.shape[1] + [1.0]),
        A_ub=sides,
        b_ub=np.concatenate([-z, z]) / size,
        bounds=[(None, None)] * terms.shape[1] + [(0.0, None)],
        method="highs",
        options={"primal_feasibility_tolerance": 1e-10, "dual_feasibility_tolerance": 1e-10},
    )
    if answer.x is None:
        raise ArithmeticError(f"no minimum zone found: {answer.message}")
    fit: Floats = np.asarray(answer.x[:-1], dtype=np.float64) * size
    return fit
