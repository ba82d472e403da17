"""From what is true of a bed to the meshes that its probe finds, months of them. Arrays only, no I/O.

A mesh is the plane that the Z screws hold, the form of the plate (turned with it), the form of the machine, what the
temperature does, and the noise of probe and homing. Every machine draws from its own generator, seeded by the farm's
seed and its own name, so that one more machine changes nothing for the others.
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from farmwatch.demo.farm import GRIDS, MODELS
from farmwatch.demo.forms import bent, correlated
from farmwatch.demo.truth import BedForm, BedTruth, MachineTruth
from farmwatch.mesh import Floats
from farmwatch.model import Model

__all__ = ["POINT_SIGMA_MM", "SCREW_SIGMA_MM", "BedSeries", "bed_series", "unit_lifts"]

DAY = 86_400.0
# The days after the end are filled too: whoever runs the demo on a Thursday sees meshes of Thursday.
DAYS_AFTER = 8.0
# After something happened people look closer: for so long the bed is probed every day.
WATCHED_DAYS = 10.0
POINT_SIGMA_MM = 0.005
SCREW_SIGMA_MM = 0.004
LAG_ONE = 0.25
STRAY_SPIKE_SHARE = 0.02
# A stray spike in the newest mesh would be a true probe fault, and the truth says where those are.
NO_STRAY_DAYS = 14.0
COLD_CELSIUS = 19.0
WARM_CELSIUS = 60.0


@dataclass(frozen=True, slots=True, eq=False)
class BedSeries:
    """The meshes of one bed in time order: taken_at `[n]` epoch s, z `[n, r, c]` mm bed-up, celsius and plate `[n]`."""

    x: Floats
    y: Floats
    taken_at: Floats
    z: Floats
    celsius: Floats
    plate: tuple[str, ...]

    def newest(self, epoch: float) -> int | None:
        """Index of the newest mesh at `epoch` (UTC seconds); None before the first."""
        place = int(np.searchsorted(self.taken_at, epoch, side="right")) - 1
        return place if place >= 0 else None

    def until(self, epoch: float) -> BedSeries:
        """The meshes taken at or before `epoch`."""
        kept = int(np.searchsorted(self.taken_at, epoch, side="right"))
        return replace(
            self,
            taken_at=self.taken_at[:kept],
            z=self.z[:kept],
            celsius=self.celsius[:kept],
            plate=self.plate[:kept],
        )

    def with_mesh(self, epoch: float, z: Floats) -> BedSeries:
        """One mesh more, `z` `[r, c]`, later than all; warm, on the plate that lies there."""
        return replace(
            self,
            taken_at=np.append(self.taken_at, np.round(epoch)),
            z=np.concatenate([self.z, np.round(z, 3)[None]]),
            celsius=np.append(self.celsius, WARM_CELSIUS),
            plate=(*self.plate, self.plate[-1]),
        )


def bed_series(machine: MachineTruth, end: datetime, weeks: int, seed: int) -> BedSeries:
    """Every mesh of one machine from `weeks` before `end` to a week after it."""
    rng = np.random.default_rng([seed, zlib.crc32(machine.name.encode())])
    model, truth = MODELS[machine.model], machine.bed
    count, first, last = GRIDS[machine.model]
    axis = np.linspace(first, last, count)
    before = _probing_days(rng, truth, weeks)
    heights = _screw_heights(truth, model, before)
    heights += SCREW_SIGMA_MM * correlated(before.size, len(model.screws), LAG_ONE, rng)
    z = np.einsum("nk,krc->nrc", heights, unit_lifts(model, axis))
    z += _forms(truth, axis, before)
    z += rng.normal(0.0, 0.004, (count, count))  # the grain of this bed, the same in every mesh
    z += rng.normal(0.0, POINT_SIGMA_MM, z.shape)
    _misread(rng, truth, z, before)
    cold = _since(before, truth.cold_days_before)
    z[cold] += _surface(BedForm("dome", 0.12), axis) + 0.05 * np.linspace(-1.0, 1.0, count)
    celsius = np.where(cold, COLD_CELSIUS, WARM_CELSIUS) + rng.normal(0.0, 0.4, before.size)
    return BedSeries(
        x=axis,
        y=axis,
        taken_at=np.round(end.timestamp() - before * DAY),
        z=np.round(z, 3),
        celsius=np.round(celsius, 1),
        plate=_plates(truth, before),
    )


def _probing_days(rng: np.random.Generator, truth: BedTruth, weeks: int) -> Floats:
    """Moments of probing as days before the end, descending: once every day to third day, in the daylight hours."""
    events = [lift.days_before for lift in truth.lifts] + [swap.days_before for swap in truth.swaps]
    events += [day for day in (truth.turned_days_before, truth.spikes_days_before) if day is not None]
    day, days = float(weeks * 7), []
    while day > -DAYS_AFTER:
        days.append(day)
        gap = float(rng.choice([1.0, 2.0, 3.0], p=[0.5, 0.3, 0.2]))
        watched = any(-1.0 <= event - day <= WATCHED_DAYS for event in events)
        day -= 1.0 if watched else gap
    # The end is a Monday before work; a mesh is taken between a little after that hour and eleven hours later.
    before = np.array(days) - rng.uniform(0.02, 0.47, len(days))
    if truth.meshed_until_days_before is not None:
        before = before[before >= truth.meshed_until_days_before]
    return before


def _since(before: Floats, days_before: float | None) -> NDArray[np.bool_]:
    if days_before is None:
        return np.zeros(before.shape, dtype=bool)
    happened: NDArray[np.bool_] = before <= days_before
    return happened


def _screw_heights(truth: BedTruth, model: Model, before: Floats) -> Floats:
    """Height of the bed at each screw, `[n, k]`: what stands at the end, less what had not happened yet."""
    columns = []
    for screw in model.screws:
        height = np.full(before.size, truth.stands_mm.get(screw.name, 0.0))
        for lift in truth.lifts:
            if lift.screw == screw.name:
                height -= np.where(_since(before, lift.days_before), 0.0, lift.mm)
        for sink in truth.sinks:
            if sink.screw == screw.name:
                began = np.inf if sink.days_before is None else sink.days_before
                height -= sink.mm_per_week * np.minimum(before, began) / 7.0
        columns.append(height)
    return np.stack(columns, axis=1)


def unit_lifts(model: Model, axis: Floats) -> Floats:
    """What raising each screw by 1 mm does to the mesh, `[k, r, c]`: the least-squares rigid plane of least tilt."""
    at = np.array(model.screws_xy)
    middle = at.mean(axis=0)
    xx, yy = np.meshgrid(axis, axis)
    places = np.column_stack([np.ones(len(at)), at - middle])
    points = np.stack([np.ones_like(xx), xx - middle[0], yy - middle[1]])
    lifts: Floats = np.einsum("pk,prc->krc", np.linalg.pinv(places), points)
    return lifts


def _surface(form: BedForm, axis: Floats) -> Floats:
    """A form of the given height, peak to valley from its own least-squares plane, `[r, c]`."""
    z = bent(form.kind, axis, axis)
    s, t = np.meshgrid(*(axis - axis.mean(),) * 2)
    # On a square grid the plane's two slopes and its level are orthogonal.
    z = z - z.mean() - s * (z * s).sum() / (s * s).sum() - t * (z * t).sum() / (t * t).sum()
    surface: Floats = z * (form.mm / max(float(np.ptp(z)), 1e-12))
    return surface


def _forms(truth: BedTruth, axis: Floats, before: Floats) -> Floats:
    """The form of plate and machine in every mesh, `[n, r, c]`."""
    z = np.empty((before.size, axis.size, axis.size))
    z[:] = _surface(truth.plate_form, axis)
    for swap in truth.swaps:
        z[_since(before, swap.days_before)] = _surface(swap.form, axis)
    turned = _since(before, truth.turned_days_before)
    z[turned] = z[turned][:, ::-1, ::-1]
    return z + _surface(truth.frame_form, axis)


def _plates(truth: BedTruth, before: Floats) -> tuple[str, ...]:
    names = np.full(before.size, truth.plate, dtype=object)
    for swap in truth.swaps:
        names[_since(before, swap.days_before)] = swap.plate
    return tuple(str(name) for name in names)


def _misread(rng: np.random.Generator, truth: BedTruth, z: Floats, before: Floats) -> None:
    """Put spikes into `z`: now and then anywhere, and in every mesh of a probe that misreads."""
    stray = (rng.random(before.size) < STRAY_SPIKE_SHARE) & (before > NO_STRAY_DAYS)
    bad = _since(before, truth.spikes_days_before)
    rows, columns = (rng.integers(1, z.shape[1] - 1, before.size) for _ in range(2))
    size = rng.uniform(0.85, 1.15, before.size) * np.where(bad, truth.spike_mm, 0.2)
    hit = np.flatnonzero(stray | bad)
    z[hit, rows[hit], columns[hit]] += size[hit]
