"""One machine's readings in time order, told apart by bands of temperature, plates, works and notes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from farmwatch.eligibility import BAND_CELSIUS
from farmwatch.follow.forms import plate_changes
from farmwatch.follow.occasions import first_readings, medians
from farmwatch.follow.plates import find_offsets, named_plates, plate_epochs
from farmwatch.measure import MeasuredHistory
from farmwatch.mesh import Floats
from farmwatch.times import from_epoch

__all__ = ["Series", "gather", "temperature_bands"]

Ints = NDArray[np.intp]
Bools = NDArray[np.bool_]

DAY = 86400.0
_NEW_SEGMENT = ("belt", "pulley", "moved")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Series:
    """One machine in time order; n readings, m movable screws."""

    measured: MeasuredHistory
    rows: Ints
    """Readings that are followed, in time order: those that enter trends, or the first of each day for all of it."""
    days: Floats
    """`[n]` days since the first reading."""
    u: Floats
    """`[n, m]` heights at the movable screws, mm, as if under the newest plate where its and the others' are known."""
    size: Ints
    """`[n]` how many readings each stands for."""
    grid: Ints
    """`[n]` which grid it was probed on: the history's stack."""
    band: Ints
    """`[n]` temperature band."""
    celsius: tuple[float, ...]
    """Mean temperature of each band, NaN for the one without."""
    note_epoch: Ints
    """`[n]` counts the spans between notes that start a new segment."""
    work_epoch: Ints
    """`[n]` counts the same, and the ends of tickets' work."""
    plate_epoch: Ints
    """`[n]` counts the plates, and their orientations, as they came to lie on the bed; seen in the form too."""
    returning: Bools
    """`[n]` whether its plate lies there in turn with others; it then has the number it first had."""
    plate_changes: Ints
    """Readings with which the form changed."""
    turned: Bools
    """`[n]` whether the plate lies turned by half a turn."""

    def at(self, reading: int) -> datetime:
        """When a reading was taken, aware."""
        return from_epoch(self.measured.history.taken_at[reading])


def gather(measured: Sequence[MeasuredHistory]) -> list[Series]:
    """What counts of each measured history, ordered by bands, plates and works."""
    return [_series(one) for one in measured]


def temperature_bands(celsius: Floats, used: Bools) -> tuple[Ints, tuple[float, ...]]:
    """Band of each reading `[n]`, counted from the coldest, and their mean temperatures (NaN: not known).

    Temperatures of the readings used are sorted and split at gaps over 10 °C; a reading without one is in the last
    band. Readings not used join the band that is nearest.
    """
    known = np.isfinite(celsius)
    values = np.sort(celsius[known & used])
    if not values.size:
        return np.zeros(celsius.size, dtype=np.intp), (float("nan"),)
    groups = np.split(values, np.flatnonzero(np.diff(values) > BAND_CELSIUS) + 1)
    means = [float(group.mean()) for group in groups]
    edges = [(left[-1] + right[0]) / 2 for left, right in pairwise(groups)]
    band = np.searchsorted(np.array(edges, dtype=np.float64), np.where(known, celsius, -np.inf)).astype(np.intp)
    if (used & ~known).any():
        means.append(float("nan"))
        band[~known] = len(means) - 1
    return band, tuple(means)


def _series(one: MeasuredHistory) -> Series:
    history, used = one.history, one.followed
    n = len(history)
    celsius = np.where(history.celsius_is_now, np.nan, history.bed_celsius)
    band, means = temperature_bands(celsius, used)
    first = float(history.taken_at[0]) if n else 0.0
    ends = [work.end.timestamp() for work in history.works if work.end is not None]
    marks = np.sort([note.at.timestamp() for note in history.notes if note.what in _NEW_SEGMENT])
    work_epoch = np.searchsorted(np.sort([*marks, *ends]), history.taken_at, side="right").astype(np.intp)
    epoch, turned = plate_epochs(history)
    epoch, returning, u = _plates_in_turn(one, epoch, turned, work_epoch * len(means) + band)
    grid = np.zeros(n, dtype=np.intp)
    for number, stack in enumerate(history.stacks):
        grid[stack.index] = number
    kind = band * len(history.stacks) + grid
    if returning.any():
        # A plate that is known again is another form, and no change.
        kind = kind * (int(epoch.max()) + 2) + np.where(returning, epoch + 1, 0)
    changes = _plate_changes(one.form, used, kind, one.noise.sigma_mm)
    epoch = epoch * (changes.size + 1) + np.searchsorted(changes, np.arange(n), side="right")
    days = (history.taken_at - first) / DAY
    alike = (epoch * (int(work_epoch.max(initial=0)) + 1) + work_epoch) * len(means) + band
    rows, days, u, size = _occasions(np.flatnonzero(used), days, u, alike)
    return Series(
        measured=one,
        rows=rows,
        days=days,
        u=u,
        size=size,
        grid=grid,
        band=band,
        celsius=means,
        note_epoch=np.searchsorted(marks, history.taken_at, side="right").astype(np.intp),
        work_epoch=work_epoch,
        plate_epoch=epoch,
        returning=returning,
        plate_changes=changes,
        turned=turned,
    )


def _plates_in_turn(one: MeasuredHistory, epoch: Ints, turned: Bools, kind: Ints) -> tuple[Ints, Bools, Floats]:
    """Epochs of the plates, with the first number of those that come back; which those are; heights without them."""
    rows, returning = np.flatnonzero(one.followed), np.zeros(len(one.history), dtype=bool)
    if rows.size < 2 or epoch[rows[0]] == epoch[rows[-1]]:
        return epoch, returning, one.u
    plate = named_plates(one.history, turned)
    offsets = find_offsets(one.u[rows], plate[rows], kind[rows])
    u = one.u.copy() if offsets else one.u
    for each, offset in offsets.items():
        here = plate == each
        returning |= here
        epoch = np.where(here, epoch[here][0], epoch)
        u[here] -= offset
    return epoch, returning, u


def _occasions(rows: Ints, days: Floats, u: Floats, kind: Ints) -> tuple[Ints, Floats, Floats, Ints]:
    """Readings that are followed, with what stands for them: where days rule, the first of a day for all of it."""
    first = first_readings(days[rows], u[rows], kind[rows])
    size = np.ones(len(days), dtype=np.intp)
    if first is None:
        return rows, days, u, size
    days, u = days.copy(), u.copy()
    days_of, u_of = medians(days[rows], first), medians(u[rows], first)
    size[rows[first]] = np.diff(np.append(first, rows.size))
    rows = rows[first]
    days[rows], u[rows] = days_of, u_of
    return rows, days, u, size


def _plate_changes(form: Floats, used: Bools, kind: Ints, sigma_mm: float) -> Ints:
    """Readings with which the form changed, seen within each kind (band and grid): forms may differ between them."""
    found: list[int] = []
    for each in np.unique(kind[used]):
        rows = np.flatnonzero(used & (kind == each))
        some = form if rows.size == len(form) else form[rows]
        found += rows[plate_changes(some, sigma_mm)].tolist()
    return np.array(sorted(set(found)), dtype=np.intp)
