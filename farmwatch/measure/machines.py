"""Machines' newest readings measured in full for judging, and the noise they are held against.

Many machines are measured at once: all meshes on one grid, of machines with the same screws, are one stack.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from farmwatch.history import Stack
from farmwatch.measure.histories import MeasuredHistory
from farmwatch.measure.minimum_zone import minimum_zone_along, minimum_zone_plane
from farmwatch.measure.noise import PointNoise, point_noise, range_noise, simulated_range_sd
from farmwatch.measure.points import MAD_TO_SD, grid_points
from farmwatch.measure.screws import influence, line_of_two
from farmwatch.measure.share import range_shares, zones_without_noise
from farmwatch.measure.stack import StackMeasures, measure_stack
from farmwatch.mesh import Floats
from farmwatch.model import Model

__all__ = ["JudgedBed", "MachineMeasures", "ReadingMeasures", "measure_machines", "model_noise"]

Places = NDArray[np.intp]

LEAST_HEIGHT_PAIRS = 3
_DRAWS = 300
# A share of the noise below this is left where it is: it is told no better, and would make the judged range uneasy.
_LEAST_SHARE_MM = 0.01
_NOT_ITS_NOISE = 1.25


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
    model: Model
    x: Floats
    """`[c]`"""
    y: Floats
    """`[r]`"""

    def leveling_lift(self) -> Floats:
        """How far each screw `[k]` must raise the bed, as real numbers, for the least range; 0 at the reference."""
        points, where = grid_points(self.x, self.y), np.array(self.model.screws_xy)
        way = line_of_two(where)
        zone = minimum_zone_plane(*points, self.z) if way is None else minimum_zone_along(*points, self.z, way)
        away = where - where[self.model.reference_index]
        lift: Floats = -(away @ np.array([float(zone.bx), float(zone.by)]))
        return lift


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class JudgedBed:
    """The newest judged readings, as far as they show one bed, taken together and the noise's share taken off; mm."""

    readings: Places
    """Newest first."""
    range_share_mm: float
    """By how much noise makes the range of the newest read high."""
    best_reachable_mm: float
    """F of the mean of the levelled meshes."""
    flatness_mz_mm: float
    """Its flatness deviation from the minimum-zone plane."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MachineMeasures:
    """One machine; arrays `[n]` over its history, mm, NaN for readings that were not asked for (but the range)."""

    model: Model
    range_mm: Floats
    range_without_spikes_mm: Floats
    """Range without spikes."""
    best_reachable_mm: Floats
    """F, the least range this machine's screws could leave as real numbers; spikes out."""
    flatness_mz_mm: Floats
    """Flatness deviation from the minimum-zone plane; spikes out."""
    heights_mm: Floats
    """`[n, k]`"""
    noise: PointNoise
    parts: tuple[_Part, ...]
    bed: JudgedBed | None = None
    """None until `judged` was asked, or where nothing may be judged."""

    def reading(self, i: int) -> ReadingMeasures:
        """All figures of the reading at place `i` of the history; raises KeyError where it was not asked for."""
        part = self.part_of(i)
        return _in_full(part, int(np.flatnonzero(part.index == i)[0]))

    @staticmethod
    def judged(machines: Sequence[MachineMeasures], readings: Sequence[Places]) -> list[MachineMeasures]:
        """The same machines with `bed`: of each the readings given, newest first, that show one bed; none where empty.

        Of their meshes those on the grid of the newest. Where the noise is only guessed, or adds less than
        0.01 mm to the range, nothing is taken off.
        """
        some = [k for k, places in enumerate(readings) if places.size]
        beds = dict(zip(some, _judged_beds([machines[k] for k in some], [readings[k] for k in some]), strict=True))
        return [replace(one, bed=beds.get(k)) for k, one in enumerate(machines)]

    def part_of(self, i: int) -> _Part:
        """The readings on one grid among which reading `i` is; raises KeyError where it was not asked for."""
        for part in self.parts:
            if (part.index == i).any():
                return part
        raise KeyError(i)

    def range_sd(self, i: int, use: NDArray[np.bool_]) -> float:
        """Sd of the range of reading `i`, mm: from successive ranges where `use` `[n]`, else simulated."""
        own = range_noise(self.range_mm[use])
        if own is not None and own > 0:
            return own
        reading = self.reading(i)
        here = np.isfinite(reading.z)
        stray = _height_sd(self, use)
        stray[self.model.reference_index] = 0.0
        # A fixed seed: the same reading has the same sd every time.
        rng = np.random.default_rng(20)
        return simulated_range_sd(
            reading.z[here], self.noise.sigma_mm, reading.influence[:, here], np.diag(stray**2), rng, draws=_DRAWS
        )


@dataclass(frozen=True, slots=True, eq=False)
class _Part:
    """Readings of one machine on one grid, and where their figures stand in the stack they were measured in."""

    machine: int
    model: Model
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

    def mean_of(self, readings: Places) -> tuple[Floats, Floats, int]:
        """Mean heights and mean form `[r, c]` of those of `readings` on this grid (spikes out), and their number."""
        place = {int(i): k for k, i in enumerate(self.index)}
        rows = self.start + np.array([place[int(i)] for i in readings if int(i) in place], dtype=np.intp)
        m = self.measures
        form = np.where(m.spikes[rows], np.nan, m.form[rows])
        here = np.isfinite(form)
        count = here.sum(axis=0)
        mean = np.where(count > 0, np.where(here, form, 0.0).sum(axis=0) / np.maximum(count, 1), np.nan)
        tilt = float(m.bx[rows].mean()) * self.stack.x[None, :] + float(m.by[rows].mean()) * self.stack.y[:, None]
        return mean + tilt, mean, rows.size


def _as_read(one: MachineMeasures, rows: Places) -> JudgedBed:
    return JudgedBed(
        readings=rows,
        range_share_mm=0.0,
        best_reachable_mm=float(one.best_reachable_mm[rows].mean()),
        flatness_mz_mm=float(one.flatness_mz_mm[rows].mean()),
    )


def _judged_beds(machines: Sequence[MachineMeasures], readings: Sequence[Places]) -> list[JudgedBed]:
    found: dict[int, JudgedBed] = {}
    together: dict[tuple[object, ...], list[int]] = {}
    for k, (one, rows) in enumerate(zip(machines, readings, strict=True)):
        if one.noise.source == "guess":
            found[k] = _as_read(one, rows)
            continue
        stack = one.part_of(int(rows[0])).stack
        together.setdefault((stack.x.tobytes(), stack.y.tobytes(), one.model.screws_xy), []).append(k)
    for members in together.values():
        part = machines[members[0]].part_of(int(readings[members[0]][0]))
        x, y, way = part.stack.x, part.stack.y, line_of_two(part.model.screws_xy)
        meshes = [machines[k].part_of(int(readings[k][0])).mean_of(readings[k]) for k in members]
        sigma = np.array([machines[k].noise.sigma_mm for k in members])
        of_mean = sigma / np.sqrt([count for _, _, count in meshes])
        shares = range_shares(x, y, np.stack([mean for mean, _, _ in meshes]), sigma, of_mean)
        least, flatness = zones_without_noise(x, y, np.stack([form for _, form, _ in meshes]), of_mean, way)
        for at, k in enumerate(members):
            # A borrowed noise may be greater than the whole range of an even bed: no range is less than nothing. One
            # that alone would make a far greater range than was read is not this mesh's noise, and takes nothing off.
            read = float(machines[k].range_mm[readings[k][0]])
            share = min(float(shares[at]), read)
            if share <= _LEAST_SHARE_MM or float(shares[at]) > _NOT_ITS_NOISE * read:
                found[k] = _as_read(machines[k], readings[k])
                continue
            found[k] = JudgedBed(
                readings=readings[k],
                range_share_mm=share,
                best_reachable_mm=max(0.0, float(least[at])),
                flatness_mz_mm=max(0.0, float(flatness[at])),
            )
    return [found[k] for k in range(len(machines))]


def model_noise(machines: Sequence[MeasuredHistory]) -> dict[str, float]:
    """By model, the noise of a point that a machine with too few readings may borrow, mm: its others' median."""
    own: dict[str, list[float]] = {}
    for one in machines:
        if one.noise.source == "own" and one.noise.sigma_mm > 0:
            own.setdefault(one.model.name, []).append(one.noise.sigma_mm)
    return {name: float(np.median(sigmas)) for name, sigmas in own.items()}


def measure_machines(
    machines: Sequence[MeasuredHistory], asked: Sequence[Places], lent_mm: Mapping[str, float] | None = None
) -> list[MachineMeasures]:
    """All figures of the readings at the places `asked`.

    A machine of few readings borrows its model's noise of a point from `lent_mm`, None: that of the machines given.
    """
    lent = model_noise(machines) if lent_mm is None else lent_mm
    noises = [_own_or_lent(one, lent.get(one.model.name)) for one in machines]
    groups: dict[tuple[object, ...], list[tuple[int, Stack, Places]]] = {}
    for machine, one in enumerate(machines):
        for stack in one.history.stacks:
            places = np.flatnonzero(np.isin(stack.index, asked[machine]))
            if places.size:
                key = (stack.x.tobytes(), stack.y.tobytes(), one.model.screws)
                groups.setdefault(key, []).append((machine, stack, places))
    parts: list[list[_Part]] = [[] for _ in machines]
    for members in groups.values():
        for part in _measure_group(members, machines, noises):
            parts[part.machine].append(part)
    return [_gather(one, noise, tuple(mine)) for one, noise, mine in zip(machines, noises, parts, strict=True)]


def _own_or_lent(one: MeasuredHistory, lent_mm: float | None) -> PointNoise:
    if one.noise.source == "guess" and lent_mm is not None:
        return replace(one.noise, sigma_mm=lent_mm, source="pooled")
    if one.noise.sigma_mm > 0:
        return one.noise
    # Meshes that repeat to the last digit tell nothing of the probe.
    return point_noise([], one.model.probe_sigma_mm)


def _measure_group(
    members: list[tuple[int, Stack, Places]], machines: Sequence[MeasuredHistory], noises: Sequence[PointNoise]
) -> list[_Part]:
    """Readings of several machines with one grid and the same screws, measured as one stack."""
    _, first, _ = members[0]
    model = machines[members[0][0]].model
    z = np.concatenate([stack.z[places] for _, stack, places in members])
    sigma = np.concatenate([np.full(places.size, noises[machine].sigma_mm) for machine, _, places in members])
    screws = model.screws_xy
    measures = measure_stack(first.x, first.y, z, screws, model.reference_index, sigma)
    shares = influence(screws, model.reference_index, *grid_points(first.x, first.y))
    starts = np.cumsum([0, *(places.size for _, _, places in members)]).tolist()
    return [
        _Part(machine, machines[machine].model, stack, places, measures, start, shares)
        for (machine, stack, places), start in zip(members, starts, strict=False)
    ]


def _gather(one: MeasuredHistory, noise: PointNoise, parts: tuple[_Part, ...]) -> MachineMeasures:
    n = len(one.history)
    clear, least, plate = (np.full(n, np.nan) for _ in range(3))
    heights = np.full((n, len(one.model.screws)), np.nan)
    for part in parts:
        m, rows, index = part.measures, part.rows, part.index
        clear[index] = m.range_without_spikes_mm[rows]
        least[index] = m.flatness_mz[rows]
        plate[index] = m.minimum_zone[rows]
        heights[index] = m.heights[rows]
    return MachineMeasures(
        model=one.model,
        range_mm=one.range_mm,
        range_without_spikes_mm=clear,
        best_reachable_mm=least,
        flatness_mz_mm=plate,
        heights_mm=heights,
        noise=noise,
        parts=parts,
    )


def _height_sd(measures: MachineMeasures, use: NDArray[np.bool_]) -> Floats:
    """How far each screw's height strays from probing to probing `[k]`, mm; the noise of a point where unknown."""
    heights = measures.heights_mm[use]
    change = np.diff(heights[np.isfinite(heights).all(axis=1)], axis=0)
    if len(change) < LEAST_HEIGHT_PAIRS:
        return np.full(measures.heights_mm.shape[1], measures.noise.sigma_mm)
    off = np.abs(change - np.median(change, axis=0))
    stray: Floats = MAD_TO_SD * np.median(off, axis=0) / np.sqrt(2.0)
    return stray


def _in_full(part: _Part, place: int) -> ReadingMeasures:
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
        heights_sd_mm=np.sqrt(variance),
        spikes=tuple((int(r), int(c), float(m.stands_off[at, r, c])) for r, c in np.argwhere(spikes)),
        model=part.model,
        x=stack.x,
        y=stack.y,
    )
