"""One machine's history as arrays in time order: screw heights, form, what counts and what is left out, and why.

Many machines are gathered at once: all meshes on one grid, of machines with the same screws, are measured together.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from farmwatch.follow.grids import common_points, interpolate
from farmwatch.follow.strays import without_strays
from farmwatch.follow.swaps import form_breaks
from farmwatch.history import History
from farmwatch.measure import least_squares_plane, point_noise, screw_heights
from farmwatch.mesh import Floats
from farmwatch.model import Model

__all__ = ["Series", "gather", "temperature_bands", "why_not_followed", "why_not_judged"]

Ints = NDArray[np.intp]
Bools = NDArray[np.bool_]

DAY = 86400.0
# A mesh over less of the bed than this is shown, never judged.
_LEAST_COVER = 0.80
_BAND_GAP_CELSIUS = 10.0
# A plane fit of so many heights at once stays within a core's own cache.
_HEIGHTS_A_ROUND = 100_000
# Of the noise of a point, the newest readings say enough.
_READINGS_FOR_NOISE = 60
_NEW_SEGMENT = ("belt", "pulley", "moved")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Series:
    """One machine in time order; n readings, m movable screws."""

    history: History
    model: Model
    days: Floats
    """`[n]` days since the first reading."""
    u: Floats
    """`[n, m]` height at each movable screw relative to the reference, mm, spikes left out."""
    cofactor: Floats
    """`[m, m]`: times the variance of a point it is the covariance of u that the points alone give."""
    range_mm: Floats
    """`[n]`, raw."""
    x: Floats
    y: Floats
    form: Floats
    """`[n, r, c]` form on the newest reading's grid (x, y); NaN where missing, spiking or outside."""
    grid: Ints
    """`[n]` which grid it was probed on: the history's stack."""
    point_sigma_mm: float
    point_sigma_from: str
    left_out: tuple[str, ...]
    """Why a reading enters no trend; empty where it does."""
    used: Bools
    band: Ints
    """`[n]` temperature band."""
    celsius: tuple[float, ...]
    """Mean temperature of each band, NaN for the one without."""
    part: Ints
    """`[n]` counts the spans between notes that start a new segment."""
    spell: Ints
    """`[n]` counts the same, and the ends of tickets' work."""
    lie: Ints
    """`[n]` counts the plates, and their orientations, as they came to lie on the bed; seen in the form too."""
    swaps: Ints
    """Readings with which the form changed."""
    turned: Bools
    """`[n]` whether the plate lies turned by half a turn."""


def gather(histories: Sequence[History], models: Sequence[Model], at: datetime) -> list[Series]:
    """Arrays of each history's readings at or before `at`."""
    epoch = at.timestamp()
    known = [history.until(epoch) for history in histories]
    measured = _measure_all(known, models)
    return [_series(history, model, *parts) for history, model, parts in zip(known, models, measured, strict=True)]


def why_not_judged(history: History, model: Model) -> tuple[str, ...]:
    """Why each reading `[n]` is shown and never judged, empty where it is judged: partial, or probed cold."""
    why = np.full(len(history), "", dtype=object)
    for stack in history.stacks:
        share = _cover(stack.x, stack.y, model)
        if share < _LEAST_COVER:
            why[stack.index] = f"covers {share:.0%} of the bed, wants {_LEAST_COVER:.0%}"
    if model.judge_from_celsius is not None:
        celsius = np.where(history.celsius_is_now, np.nan, history.bed_celsius)
        cold = np.flatnonzero(celsius < model.judge_from_celsius)
        for i in cold:
            why[i] = why[i] or f"probed at {celsius[i]:.0f} °C, judged from {model.judge_from_celsius:.0f} °C"
    return tuple(why)


def why_not_followed(history: History, model: Model) -> tuple[str, ...]:
    """Why each reading `[n]` enters no trend, step or noise, empty where it does."""
    why = np.array(why_not_judged(history, model), dtype=object)
    why[(why == "") & history.during_work] = "taken while a ticket was in work"
    why[(why == "") & (history.time_from == "unknown")] = "of unknown age"
    replaced = [note.at.timestamp() for note in history.notes if note.what == "replaced"]
    if replaced:
        why[(why == "") & (history.taken_at < max(replaced))] = "of the machine that was replaced"
    return tuple(why)


def temperature_bands(celsius: Floats, used: Bools) -> tuple[Ints, tuple[float, ...]]:
    """Band of each reading `[n]`, counted from the coldest, and their mean temperatures (NaN: not known).

    Temperatures of the readings used are sorted and split at gaps over 10 °C; a reading without one is in the last
    band. Readings not used join the band that is nearest.
    """
    known = np.isfinite(celsius)
    values = np.sort(celsius[known & used])
    if not values.size:
        return np.zeros(celsius.size, dtype=np.intp), (float("nan"),)
    groups = np.split(values, np.flatnonzero(np.diff(values) > _BAND_GAP_CELSIUS) + 1)
    means = [float(group.mean()) for group in groups]
    edges = [(left[-1] + right[0]) / 2 for left, right in pairwise(groups)]
    band = np.searchsorted(np.array(edges, dtype=np.float64), np.where(known, celsius, -np.inf)).astype(np.intp)
    if (used & ~known).any():
        means.append(float("nan"))
        band[~known] = len(means) - 1
    return band, tuple(means)


def _series(
    history: History, model: Model, u: Floats, cofactor: Floats, ranges: Floats, form: Floats, x: Floats, y: Floats
) -> Series:
    left_out = why_not_followed(history, model)
    used = np.array([not why for why in left_out], dtype=bool) & np.isfinite(u).all(axis=1)
    left_out = tuple(
        why or ("" if fine else "its plane cannot be told") for why, fine in zip(left_out, used, strict=True)
    )
    celsius = np.where(history.celsius_is_now, np.nan, history.bed_celsius)
    band, means = temperature_bands(celsius, used)
    noise = point_noise([form[used][-_READINGS_FOR_NOISE:]] if used.any() else [], model.probe_sigma_mm)
    lie, turned = _lies(history)
    grid = np.zeros(len(history), dtype=np.intp)
    for number, stack in enumerate(history.stacks):
        grid[stack.index] = number
    swaps = _swaps(form, used, band * len(history.stacks) + grid, noise.sigma_mm)
    lie = lie + np.searchsorted(swaps, np.arange(len(history)), side="right")
    first = float(history.taken_at[0]) if len(history) else 0.0
    ends = [work.end.timestamp() for work in history.works if work.end is not None]
    marks = np.sort([note.at.timestamp() for note in history.notes if note.what in _NEW_SEGMENT])
    return Series(
        history=history,
        model=model,
        days=(history.taken_at - first) / DAY,
        u=u,
        cofactor=cofactor,
        range_mm=ranges,
        x=x,
        y=y,
        form=form,
        grid=grid,
        point_sigma_mm=noise.sigma_mm,
        point_sigma_from=noise.source,
        left_out=left_out,
        used=used,
        band=band,
        celsius=means,
        part=np.searchsorted(marks, history.taken_at, side="right").astype(np.intp),
        spell=np.searchsorted(np.sort([*marks, *ends]), history.taken_at, side="right").astype(np.intp),
        lie=lie,
        swaps=swaps,
        turned=turned,
    )


def _swaps(form: Floats, used: Bools, kind: Ints, sigma_mm: float) -> Ints:
    """Readings with which the form changed, seen within each kind (band and grid): forms may differ between them."""
    found: list[int] = []
    for each in np.unique(kind[used]):
        rows = np.flatnonzero(used & (kind == each))
        found += rows[form_breaks(form[rows], sigma_mm)].tolist()
    return np.array(sorted(set(found)), dtype=np.intp)


def _lies(history: History) -> tuple[Ints, Bools]:
    """How often the plate, its name or its orientation has changed by each reading; and whether it lies turned.

    A note `plate` tells of another plate; one whose text holds the word "turned", and a plate's name that ends in it,
    tell of the same plate turned by half a turn.
    """
    n = len(history)
    number, turned = np.zeros(n, dtype=np.intp), np.zeros(n, dtype=bool)
    for note in sorted((note for note in history.notes if note.what == "plate"), key=lambda note: note.at):
        after = history.taken_at >= note.at.timestamp()
        number[after] += 1
        if _says_turned(note.text):
            turned[after] = ~turned[after]
        else:
            turned[after] = False
    if n and any(name is not None for name in history.plate):
        names = np.array(["" if name is None else name for name in history.plate])
        changed = np.concatenate([[False], names[1:] != names[:-1]])
        number = number + np.cumsum(changed)
        turned = turned ^ np.array([_says_turned(name) for name in names])
    return number, turned


def _says_turned(text: str) -> bool:
    return re.search(r"(?<![a-z])turned(?![a-z])", text.casefold()) is not None


def _cover(x: Floats, y: Floats, model: Model) -> float:
    if model.bed is None:
        return 1.0
    x0, y0, x1, y1 = model.bed
    wide = max(0.0, min(float(x[-1]), x1) - max(float(x[0]), x0))
    deep = max(0.0, min(float(y[-1]), y1) - max(float(y[0]), y0))
    return wide * deep / ((x1 - x0) * (y1 - y0))


_Parts = tuple[Floats, Floats, Floats, Floats, Floats, Floats]


def _measure_all(histories: Sequence[History], models: Sequence[Model]) -> list[_Parts]:
    """u, cofactor, ranges, form and its axes of every history; those on one common grid are measured as one stack."""
    results: list[_Parts | None] = [None] * len(histories)
    together: dict[tuple[bytes, ...], list[int]] = {}
    for i, (history, model) in enumerate(zip(histories, models, strict=True)):
        if len(history.stacks) == 1:
            stack = history.stacks[0]
            key = (stack.x.tobytes(), stack.y.tobytes(), _screws(model).tobytes(), bytes([model.reference_index]))
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


def _measure_alike(histories: Sequence[History], model: Model) -> list[_Parts]:
    x, y = histories[0].stacks[0].x, histories[0].stacks[0].y
    # A stack's own order is its index; a history of one stack is that stack in time order.
    z = np.concatenate([_in_order(history) for history in histories])
    owner = np.repeat(np.arange(len(histories)), [len(history) for history in histories])
    ranges = _ranges(z)
    u, form, cofactor = _cleaned(x, y, z, owner, model)
    ends = np.cumsum([len(history) for history in histories])[:-1]
    return [
        (ui, cofactor, ri, fi, x, y)
        for ui, ri, fi in zip(np.split(u, ends), np.split(ranges, ends), np.split(form, ends), strict=True)
    ]


def _measure_mixed(history: History, model: Model) -> _Parts:
    n, m = len(history), len(model.movable)
    if not history.stacks:
        empty = np.zeros((0, 3, 3))
        return np.zeros((0, m)), np.eye(m), np.zeros(0), empty, np.zeros(3), np.zeros(3)
    newest = next(stack for stack in history.stacks if (stack.index == n - 1).any())
    common_x, common_y = common_points(history.stacks)
    u, ranges = np.full((n, m), np.nan), np.full(n, np.nan)
    form = np.full((n, newest.y.size, newest.x.size), np.nan)
    cofactor = np.eye(m)
    for stack in history.stacks:
        plain = least_squares_plane(stack.x, stack.y, stack.z).residuals
        clean = without_strays(stack.x, stack.y, stack.z, plain, np.zeros(len(stack.z), dtype=np.intp))
        ranges[stack.index] = _ranges(stack.z)
        common = interpolate(stack.x, stack.y, clean, common_x, common_y)
        u[stack.index], _, cofactor = _heights(common_x, common_y, common, model)
        shown = interpolate(stack.x, stack.y, clean, newest.x, newest.y)
        _, form[stack.index], _ = _heights(newest.x, newest.y, shown, model)
    return u, cofactor, ranges, form, newest.x, newest.y


def _in_order(history: History) -> Floats:
    stack = history.stacks[0]
    if np.array_equal(stack.index, np.arange(len(history))):
        return stack.z
    z = np.empty_like(stack.z)
    z[stack.index] = stack.z
    return z


def _cleaned(x: Floats, y: Floats, z: Floats, owner: Ints, model: Model) -> tuple[Floats, Floats, Floats]:
    """As `_heights`, strays left out; only the readings that had any are fitted again."""
    u, form, cofactor = _heights(x, y, z, model)
    clean = without_strays(x, y, z, form, owner)
    if clean is not z:
        again = np.flatnonzero((np.isnan(clean) & np.isfinite(z)).any(axis=(1, 2)))
        u[again], form[again], _ = _heights(x, y, clean[again], model)
    return u, form, cofactor


def _heights(x: Floats, y: Floats, z: Floats, model: Model) -> tuple[Floats, Floats, Floats]:
    """u `[n, m]`, form `[n, r, c]` and the cofactor `[m, m]` of a full grid's u."""
    whole = np.isfinite(z).all(axis=(1, 2))
    form = np.empty_like(z)
    k, movable = len(model.screws), list(model.movable)
    relative = np.full((len(z), k), np.nan)
    for some in (whole, ~whole):
        if some.any():
            plane = least_squares_plane(x, y, z[some])
            relative[some] = screw_heights(plane, _screws(model), model.reference_index, 1.0).relative
            form[some] = plane.residuals
    full = screw_heights(
        least_squares_plane(x, y, np.zeros((1, y.size, x.size))), _screws(model), model.reference_index, 1.0
    )
    return relative[:, movable], form, full.covariance[0][np.ix_(movable, movable)]


def _ranges(z: Floats) -> Floats:
    flat = z.reshape(len(z), -1)
    ranges: Floats = np.fmax.reduce(flat, axis=1) - np.fmin.reduce(flat, axis=1)
    return ranges


def _screws(model: Model) -> Floats:
    return np.array([[screw.x_mm, screw.y_mm] for screw in model.screws])
