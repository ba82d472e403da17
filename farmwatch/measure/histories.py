"""Histories measured once: which readings count, their range, screw heights and form, and the noise of a point.

Following and judging both start from here. Meshes of many machines on one grid, of machines with the same screws, are
measured together.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from farmwatch.eligibility import find_followed, find_judgeable, since_replaced, without_repeats
from farmwatch.history import History
from farmwatch.measure.grids import common_points, interpolate
from farmwatch.measure.noise import PointNoise, point_noise
from farmwatch.measure.plane import least_squares_plane
from farmwatch.measure.screws import screw_heights
from farmwatch.measure.transient_spikes import without_transient_spikes
from farmwatch.mesh import Floats
from farmwatch.model import Model

__all__ = ["MeasuredHistory", "measure_histories"]

Ints = NDArray[np.intp]
Bools = NDArray[np.bool_]

# Planes of so many heights at once are fitted within a core's own cache.
_HEIGHTS_A_ROUND = 200_000
# Of the noise of a point, the newest readings say enough.
_READINGS_FOR_NOISE = 60


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MeasuredHistory:
    """One machine's history and what its meshes say; n readings in time order, m movable screws."""

    history: History
    """Of this machine alone, from its last replacement to the time asked for."""
    model: Model
    judged: Bools
    """`[n]` whether a reading may be judged."""
    followed: Bools
    """`[n]` whether a reading enters trends, steps and noise: judged, dated, of no ticket's work, its plane known."""
    range_mm: Floats
    """`[n]`, raw."""
    u: Floats
    """`[n, m]` height at each movable screw relative to the reference, mm, transient spikes left out."""
    cofactor: Floats
    """`[m, m]`: times the variance of a point it is the covariance of u that the points alone give."""
    form: Floats
    """`[n, r, c]` form on the newest reading's grid (x, y); NaN where missing, misread or outside."""
    x: Floats
    y: Floats
    noise: PointNoise


@dataclass(frozen=True, slots=True, eq=False)
class _Meshes:
    """Heights at the screws, their cofactor, and form of the meshes of one history, as in `MeasuredHistory`."""

    u: Floats
    cofactor: Floats
    form: Floats
    x: Floats
    y: Floats


def measure_histories(histories: Sequence[History], models: Sequence[Model], at: datetime) -> list[MeasuredHistory]:
    """Measure every machine's readings at or before `at` (aware) that are its own, one model per history."""
    known = [without_repeats(since_replaced(history.until(at.timestamp()))) for history in histories]
    meshes = _measure_all(known, models)
    return [_measured(*row) for row in zip(known, models, meshes, strict=True)]


def _measured(history: History, model: Model, meshes: _Meshes) -> MeasuredHistory:
    followed = find_followed(history, model) & np.isfinite(meshes.u).all(axis=1)
    newest = np.flatnonzero(followed)[-_READINGS_FOR_NOISE:]
    return MeasuredHistory(
        history=history,
        model=model,
        judged=find_judgeable(history, model),
        followed=followed,
        range_mm=history.ranges(),
        u=meshes.u,
        cofactor=meshes.cofactor,
        form=meshes.form,
        x=meshes.x,
        y=meshes.y,
        noise=point_noise([meshes.form[newest]] if newest.size else [], model.probe_sigma_mm),
    )


def _measure_all(histories: Sequence[History], models: Sequence[Model]) -> list[_Meshes]:
    """Those on one grid, of machines with the same screws, as one stack."""
    results: list[_Meshes | None] = [None] * len(histories)
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


def _measure_alike(histories: Sequence[History], model: Model) -> list[_Meshes]:
    x, y = histories[0].stacks[0].x, histories[0].stacks[0].y
    # A stack's own order is its index; a history of one stack is that stack in time order.
    z = np.concatenate([_in_order(history) for history in histories])
    owner = np.repeat(np.arange(len(histories)), [len(history) for history in histories])
    u, form = _cleaned(x, y, z, owner, model)
    cofactor = _cofactor(x, y, model)
    ends = np.cumsum([len(history) for history in histories])[:-1]
    return [_Meshes(ui, cofactor, fi, x, y) for ui, fi in zip(np.split(u, ends), np.split(form, ends), strict=True)]


def _measure_mixed(history: History, model: Model) -> _Meshes:
    n, m = len(history), len(model.movable)
    if not history.stacks:
        empty = np.zeros((0, 3, 3))
        return _Meshes(np.zeros((0, m)), np.eye(m), empty, np.zeros(3), np.zeros(3))
    newest = next(stack for stack in history.stacks if (stack.index == n - 1).any())
    common_x, common_y = common_points(history.stacks)
    u = np.full((n, m), np.nan)
    form = np.full((n, newest.y.size, newest.x.size), np.nan)
    for stack in history.stacks:
        plain = least_squares_plane(stack.x, stack.y, stack.z).residuals
        clean = without_transient_spikes(stack.x, stack.y, stack.z, plain, np.zeros(len(stack.z), dtype=np.intp))
        common = interpolate(stack.x, stack.y, clean, common_x, common_y)
        u[stack.index], _ = _heights(common_x, common_y, common, model)
        shown = interpolate(stack.x, stack.y, clean, newest.x, newest.y)
        _, form[stack.index] = _heights(newest.x, newest.y, shown, model)
    return _Meshes(u, _cofactor(common_x, common_y, model), form, newest.x, newest.y)


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
