"""Machines' readings measured for judging: the range of every reading, all figures of the newest ones, the noise.

Many machines are measured at once: all meshes on one grid, of machines with the same screws, are one stack.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from farmwatch.history import History, Stack
from farmwatch.measure import (
    MAD_TO_SD,
    PointNoise,
    StackMeasures,
    grid_points,
    influence,
    measure_stack,
    point_noise,
    range_noise,
    simulated_range_sd,
)
from farmwatch.measure.form import spread
from farmwatch.measure.noise import GUESSED_SIGMA_MM
from farmwatch.mesh import Floats
from farmwatch.model import Model

__all__ = ["MachineMeasures", "ReadingMeasures", "measure_machines", "pool_noise", "range_sd"]

Places = NDArray[np.intp]

LEAST_HEIGHT_PAIRS = 3
_DRAWS = 300


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ReadingMeasures:
    """Figures of one reading; heights of points `[points]` row by row from the front, NaN where missing or a spike."""

    z: Floats
    influence: Floats
    """L `[k, points]`."""
    bx: float
    by: float
    flatness_ls_mm: float
    rms_mm: float
    shape: str
    heights_mm: Floats
    """`[k]` relative to the reference screw."""
    heights_sd_mm: Floats
    spikes: tuple[tuple[int, int, float], ...]
    """Row, column, how far it stands off, mm."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MachineMeasures:
    """One machine; arrays `[n]` over its history, mm, NaN for readings that were not asked for (but the range)."""

    model: Model
    range_mm: Floats
    clear_mm: Floats
    """Range without spikes."""
    least_mm: Floats
    """F, the least range this machine's screws could leave as real numbers; spikes out."""
    plate_mm: Floats
    """Flatness deviation from the minimum-zone plane; spikes out."""
    heights_mm: Floats
    """`[n, k]`"""
    noise: PointNoise
    assumed_sigma_mm: float
    """The noise that the figures were taken with, before the machine's own was known."""
    parts: tuple[_Part, ...]

    def reading(self, i: int) -> ReadingMeasures:
        """All figures of the reading at place `i` of the history; raises KeyError where it was not asked for."""
        for part in self.parts:
            hit = np.flatnonzero(part.index == i)
            if hit.size:
                return _in_full(part, int(hit[0]), self.noise.sigma_mm / self.assumed_sigma_mm)
        raise KeyError(i)


@dataclass(frozen=True, slots=True, eq=False)
class _Part:
    """Readings of one machine on one grid, and where their figures stand in the stack they were measured in."""

    machine: int
    stack: Stack
    places: Places
    measures: StackMeasures
    start: int
    influence: Floats

    @property
    def index(self) -> Places:
        index: Places = self.stack.index[self.places]
        return index

    @property
    def rows(self) -> slice:
        return slice(self.start, self.start + self.places.size)


def measure_machines(
    histories: Sequence[History], models: Sequence[Model], asked: Sequence[Places]
) -> list[MachineMeasures]:
    """Measure machines together: the range of every reading, and all figures of those at the places `asked`."""
    groups: dict[tuple[object, ...], list[tuple[int, Stack, Places]]] = {}
    for machine, (history, model) in enumerate(zip(histories, models, strict=True)):
        for stack in history.stacks:
            places = np.flatnonzero(np.isin(stack.index, asked[machine]))
            if places.size:
                key = (stack.x.tobytes(), stack.y.tobytes(), model.screws)
                groups.setdefault(key, []).append((machine, stack, places))
    parts: list[list[_Part]] = [[] for _ in histories]
    for members in groups.values():
        for part in _measure_group(members, models):
            parts[part.machine].append(part)
    return [_gather(history, model, tuple(mine)) for history, model, mine in zip(histories, models, parts, strict=True)]


def pool_noise(measures: Sequence[MachineMeasures]) -> list[MachineMeasures]:
    """The same machines; those with too few readings of their own get the median noise of their model's others."""
    own: dict[str, list[float]] = {}
    for one in measures:
        if one.noise.source == "own":
            own.setdefault(one.model.name, []).append(one.noise.sigma_mm)
    pooled = {name: float(np.median(sigmas)) for name, sigmas in own.items()}
    return [
        replace(one, noise=PointNoise(pooled[one.model.name], one.noise.pairs, "pooled"))
        if one.noise.source == "guess" and one.model.name in pooled
        else one
        for one in measures
    ]


def range_sd(measures: MachineMeasures, use: NDArray[np.bool_], i: int) -> float:
    """Sd of the range of reading `i`, mm: from successive ranges where `use` `[n]`, else simulated from the noise."""
    own = range_noise(measures.range_mm[use])
    if own is not None and own > 0:
        return own
    reading = measures.reading(i)
    here = np.isfinite(reading.z)
    stray = _height_sd(measures, use)
    stray[measures.model.reference_index] = 0.0
    # A fixed seed: the same reading has the same sd every time.
    rng = np.random.default_rng(20)
    return simulated_range_sd(
        reading.z[here], measures.noise.sigma_mm, reading.influence[:, here], np.diag(stray**2), rng, draws=_DRAWS
    )


def _measure_group(members: list[tuple[int, Stack, Places]], models: Sequence[Model]) -> list[_Part]:
    """Readings of several machines with one grid and the same screws, measured as one stack."""
    _, first, _ = members[0]
    model = models[members[0][0]]
    z = np.concatenate([stack.z[places] for _, stack, places in members])
    sigma = np.concatenate([np.full(places.size, _assumed_sigma(models[machine])) for machine, _, places in members])
    screws = model.screws_xy
    measures = measure_stack(first.x, first.y, z, screws, model.reference_index, sigma)
    shares = influence(screws, model.reference_index, *grid_points(first.x, first.y))
    starts = np.cumsum([0, *(places.size for _, _, places in members)]).tolist()
    return [
        _Part(machine, stack, places, measures, start, shares)
        for (machine, stack, places), start in zip(members, starts, strict=False)
    ]


def _gather(history: History, model: Model, parts: tuple[_Part, ...]) -> MachineMeasures:
    n, assumed = len(history), _assumed_sigma(model)
    ranges, clear, least, plate = (np.full(n, np.nan) for _ in range(4))
    heights = np.full((n, len(model.screws)), np.nan)
    for stack in history.stacks:
        ranges[stack.index] = spread(stack.z.reshape(len(stack.z), -1))
    forms = []
    for part in parts:
        m, rows, index = part.measures, part.rows, part.index
        clear[index] = m.range_without_spikes_mm[rows]
        least[index] = m.flatness_mz[rows]
        plate[index] = m.minimum_zone[rows]
        heights[index] = m.heights[rows]
        # Work at the bench is no evidence of how well the probe repeats.
        idle = ~history.during_work[index]
        if idle.any():
            forms.append(np.where(m.spikes[rows], np.nan, m.form[rows])[idle])
    noise = point_noise(forms, model.probe_sigma_mm)
    if not noise.sigma_mm > 0:
        noise = PointNoise(assumed, noise.pairs, "guess" if model.probe_sigma_mm is None else "pooled")
    return MachineMeasures(
        model=model,
        range_mm=ranges,
        clear_mm=clear,
        least_mm=least,
        plate_mm=plate,
        heights_mm=heights,
        noise=noise,
        assumed_sigma_mm=assumed,
        parts=parts,
    )


def _assumed_sigma(model: Model) -> float:
    return GUESSED_SIGMA_MM if model.probe_sigma_mm is None else model.probe_sigma_mm


def _height_sd(measures: MachineMeasures, use: NDArray[np.bool_]) -> Floats:
    """How far each screw's height strays from probing to probing `[k]`, mm; the noise of a point where unknown."""
    heights = measures.heights_mm[use]
    change = np.diff(heights[np.isfinite(heights).all(axis=1)], axis=0)
    if len(change) < LEAST_HEIGHT_PAIRS:
        return np.full(measures.heights_mm.shape[1], measures.noise.sigma_mm)
    off = np.abs(change - np.median(change, axis=0))
    stray: Floats = MAD_TO_SD * np.median(off, axis=0) / np.sqrt(2.0)
    return stray


def _in_full(part: _Part, place: int, widen: float) -> ReadingMeasures:
    m, at, stack = part.measures, part.start + place, part.stack
    spikes = m.spikes[at]
    variance = np.maximum(np.diagonal(m.heights_covariance[at]), 0.0)
    return ReadingMeasures(
        z=np.where(spikes, np.nan, stack.z[part.places[place]]).ravel(),
        influence=part.influence,
        bx=float(m.bx[at]),
        by=float(m.by[at]),
        flatness_ls_mm=float(m.flatness_ls[at]),
        rms_mm=float(m.rms[at]),
        shape=str(m.shape[at]),
        heights_mm=m.heights[at],
        heights_sd_mm=np.sqrt(variance) * widen,
        spikes=tuple((int(r), int(c), float(m.stands_off[at, r, c])) for r, c in np.argwhere(spikes)),
    )
