"""One machine's readings in time order, told apart by bands of temperature, plates, works and notes."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from farmwatch.eligibility import BAND_CELSIUS
from farmwatch.follow.forms import plate_changes
from farmwatch.history import History
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
    days: Floats
    """`[n]` days since the first reading."""
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
    celsius = np.where(history.celsius_is_now, np.nan, history.bed_celsius)
    band, means = temperature_bands(celsius, used)
    plate_epoch, turned = _plate_epochs(history)
    grid = np.zeros(len(history), dtype=np.intp)
    for number, stack in enumerate(history.stacks):
        grid[stack.index] = number
    changes = _plate_changes(one.form, used, band * len(history.stacks) + grid, one.noise.sigma_mm)
    plate_epoch = plate_epoch + np.searchsorted(changes, np.arange(len(history)), side="right")
    first = float(history.taken_at[0]) if len(history) else 0.0
    ends = [work.end.timestamp() for work in history.works if work.end is not None]
    marks = np.sort([note.at.timestamp() for note in history.notes if note.what in _NEW_SEGMENT])
    return Series(
        measured=one,
        days=(history.taken_at - first) / DAY,
        grid=grid,
        band=band,
        celsius=means,
        note_epoch=np.searchsorted(marks, history.taken_at, side="right").astype(np.intp),
        work_epoch=np.searchsorted(np.sort([*marks, *ends]), history.taken_at, side="right").astype(np.intp),
        plate_epoch=plate_epoch,
        plate_changes=changes,
        turned=turned,
    )


def _plate_changes(form: Floats, used: Bools, kind: Ints, sigma_mm: float) -> Ints:
    """Readings with which the form changed, seen within each kind (band and grid): forms may differ between them."""
    found: list[int] = []
    for each in np.unique(kind[used]):
        rows = np.flatnonzero(used & (kind == each))
        some = form if rows.size == len(form) else form[rows]
        found += rows[plate_changes(some, sigma_mm)].tolist()
    return np.array(sorted(set(found)), dtype=np.intp)


def _plate_epochs(history: History) -> tuple[Ints, Bools]:
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
