"""Meshes of many machines: all on one grid, of machines with the same screws, are measured together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from farmwatch.follow.grids import common_points, interpolate
from farmwatch.follow.transient_spikes import without_transient_spikes
from farmwatch.history import History
from farmwatch.measure import least_squares_plane, screw_heights
from farmwatch.mesh import Floats
from farmwatch.model import Model

__all__ = ["Measured", "measure_all"]

Ints = NDArray[np.intp]

# Planes of so many heights at once are fitted within a core's own cache.
_HEIGHTS_A_ROUND = 200_000


@dataclass(frozen=True, slots=True, eq=False)
class Measured:
    """What the meshes of one history say; n readings in time order, m movable screws."""

    u: Floats
    """`[n, m]` height at each movable screw relative to the reference, mm, transient spikes left out."""
    cofactor: Floats
    """`[m, m]`: times the variance of a point it is the covariance of u that the points alone give."""
    range_mm: Floats
    """`[n]`, raw."""
    form: Floats
    """`[n, r, c]` form on the newest reading's grid (x, y); NaN where missing, misread or outside."""
    x: Floats
    y: Floats


def measure_all(histories: Sequence[History], models: Sequence[Model]) -> list[Measured]:
    """Measure every history's meshes; those on one grid, of machines with the same screws, as one stack."""
    results: list[Measured | None] = [None] * len(histories)
    together: dict[tuple[object, ...], list[int]] = {}
    for i, (history, model) in enumerate(zip(histories, models, strict=True)):
        if len(history.stacks) == 1:
            stack = history.stacks[0]
            key = (stack.x.tobytes(), stack.y.tobytes(), model.screws_xy, model.reference_index)
            together.setdefault(key, []).append(i)
        else:
            results[i] = _measure_mixed(history, model)
    for members in together.values():
        points = histories[members[0]].stacks[0].z[0].size
        for few in _rounds([(i, len(histories[i]) * points) for i in members]):
            for i, parts in zip(few, _measure_alike([histories[i] for i in few], models[few[0]]), strict=True):
                results[i] = parts
    return [parts for parts in results if parts is not None]


def _rounds(sized: Sequence[tuple[int, int]]) -> list[list[int]]:
    rounds: list[list[int]] = []
    room = 0
    for i, size in sized:
        if not rounds or size > room:
            rounds.append([])
            room = _HEIGHTS_A_ROUND
        rounds[-1].append(i)
        room -= size
    return rounds


def _measure_alike(histories: Sequence[History], model: Model) -> list[Measured]:
    x, y = histories[0].stacks[0].x, histories[0].stacks[0].y
    # A stack's own order is its index; a history of one stack is that stack in time order.
    z = np.concatenate([_in_order(history) for history in histories])
    owner = np.repeat(np.arange(len(histories)), [len(history) for history in histories])
    ranges = _ranges(z)
    u, form = _cleaned(x, y, z, owner, model)
    cofactor = _cofactor(x, y, model)
    ends = np.cumsum([len(history) for history in histories])[:-1]
    return [
        Measured(ui, cofactor, ri, fi, x, y)
        for ui, ri, fi in zip(np.split(u, ends), np.split(ranges, ends), np.split(form, ends), strict=True)
    ]


def _measure_mixed(history: History, model: Model) -> Measured:
    n, m = len(history), len(model.movable)
    if not history.stacks:
        empty = np.zeros((0, 3, 3))
        return Measured(np.zeros((0, m)), np.eye(m), np.zeros(0), empty, np.zeros(3), np.zeros(3))
    newest = next(stack for stack in history.stacks if (stack.index == n - 1).any())
    common_x, common_y = common_points(history.stacks)
    u, ranges = np.full((n, m), np.nan), np.full(n, np.nan)
    form = np.full((n, newest.y.size, newest.x.size), np.nan)
    for stack in history.stacks:
        plain = least_squares_plane(stack.x, stack.y, stack.z).residuals
        clean = without_transient_spikes(stack.x, stack.y, stack.z, plain, np.zeros(len(stack.z), dtype=np.intp))
        ranges[stack.index] = _ranges(stack.z)
        common = interpolate(stack.x, stack.y, clean, common_x, common_y)
        u[stack.index], _ = _heights(common_x, common_y, common, model)
        shown = interpolate(stack.x, stack.y, clean, newest.x, newest.y)
        _, form[stack.index] = _heights(newest.x, newest.y, shown, model)
    return Measured(u, _cofactor(common_x, common_y, model), ranges, form, newest.x, newest.y)


def _in_order(history: History) -> Floats:
    stack = history.stacks[0]
    if np.array_equal(stack.index, np.arange(len(history))):
        return stack.z
    z = np.empty_like(stack.z)
    z[stack.index] = stack.z
    return z


def _cleaned(x: Floats, y: Floats, z: Floats, owner: Ints, model: Model) -> tuple[Floats, Floats]:
    """As `_heights`, transient spikes left out; only the readings that had any are fitted again."""
    u, form = _heights(x, y, z, model)
    clean = without_transient_spikes(x, y, z, form, owner)
    if clean is not z:
        again = np.flatnonzero((np.isnan(clean) & np.isfinite(z)).any(axis=(1, 2)))
        u[again], form[again] = _heights(x, y, clean[again], model)
    return u, form


def _heights(x: Floats, y: Floats, z: Floats, model: Model) -> tuple[Floats, Floats]:
    """u `[n, m]` and form `[n, r, c]`; whole meshes share one fit, those with missing points cost more each."""
    whole = np.isfinite(z).all(axis=(1, 2))
    if whole.all():
        return _heights_alike(x, y, z, model)
    u, form = np.full((len(z), len(model.movable)), np.nan), np.empty_like(z)
    for some in (whole, ~whole):
        if some.any():
            u[some], form[some] = _heights_alike(x, y, z[some], model)
    return u, form


def _heights_alike(x: Floats, y: Floats, z: Floats, model: Model) -> tuple[Floats, Floats]:
    plane = least_squares_plane(x, y, z)
    screws = np.array(model.screws_xy)
    height = plane.at(screws[:, 0], screws[:, 1])
    relative: Floats = height - height[:, model.reference_index, None]
    return np.delete(relative, model.reference_index, axis=1), plane.residuals


def _cofactor(x: Floats, y: Floats, model: Model) -> Floats:
    return _cofactor_on(model.screws_xy, model.reference_index, x.tobytes(), y.tobytes())


@lru_cache(maxsize=64)
def _cofactor_on(screws: tuple[tuple[float, float], ...], reference: int, x: bytes, y: bytes) -> Floats:
    axes = np.frombuffer(x), np.frombuffer(y)
    plane = least_squares_plane(*axes, np.zeros((1, axes[1].size, axes[0].size)))
    covariance = screw_heights(plane, screws, reference, 1.0).covariance[0]
    return np.delete(np.delete(covariance, reference, axis=0), reference, axis=1)


def _ranges(z: Floats) -> Floats:
    flat = z.reshape(len(z), -1)
    ranges: Floats = np.fmax.reduce(flat, axis=1) - np.fmin.reduce(flat, axis=1)
    return ranges
