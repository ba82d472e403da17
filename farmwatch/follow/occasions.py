"""Readings of one day are one occasion, where days differ by more than readings do.

What the probe repeats within a day says nothing of how far the bed stands off from day to day: the plate is laid anew,
the bed is hot for longer. ISO 5725-2:2019, 7, keeps the two apart as repeatability and between-condition variance. On a
machine where the second one rules, steps and drift must take their noise from the days: its readings are followed day
by day. On all others every reading counts by itself, and a step is found within the day.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from farmwatch.measure import MAD_TO_SD
from farmwatch.mesh import Floats

__all__ = ["first_readings", "medians"]

Ints = NDArray[np.intp]

# Readings within so many days of the first of them are one occasion: a working day, however long.
_ONE_DAY = 16.0 / 24.0
_LEAST_OCCASIONS, _LEAST_WITHIN = 5, 5
# Days rule where their medians vary so many times as much as the readings of a day would have them vary. Correlation of
# readings close in time alone comes to about 3; few days tell it badly.
_TIMES, _FEW = 6.0, 6.0
_LEAST_SD_MM = 0.0005


def first_readings(days: Floats, u: Floats, kind: Ints) -> Ints | None:
    """The first reading of each occasion where days rule, or None where every reading counts by itself.

    days `[n]` ascending, u `[n, m]`; kind `[n]`: only readings of one kind in a row are one occasion.
    """
    if len(days) < 2 * _LEAST_OCCASIONS or np.mean(np.diff(days) < _ONE_DAY) < 0.5:
        return None
    first = _starts(days, kind)
    size = np.diff(np.append(first, len(days)))
    if first.size < _LEAST_OCCASIONS or len(days) < 2 * first.size:
        return None
    middle = medians(u, first)
    alike = np.diff(kind[first]) == 0
    within = np.delete(np.diff(u, axis=0), first[1:] - 1, axis=0)
    between = np.diff(middle, axis=0)[alike]
    if len(within) < _LEAST_WITHIN or len(between) < _LEAST_OCCASIONS - 1:
        return None
    of_readings = np.maximum(_variance(within), _LEAST_SD_MM**2).sum() * float(np.mean(1.0 / size))
    bar = _TIMES * (1.0 + _FEW / len(between))
    return first if _variance(between).sum() > bar * of_readings else None


def medians(values: Floats, first: Ints) -> Floats:
    """Median of each occasion, `[occasions, ...]`: one reading that went astray moves it little."""
    return np.stack([np.median(part, axis=0) for part in np.split(values, first[1:])])


def _starts(days: Floats, kind: Ints) -> Ints:
    starts, begin = [0], 0
    for i in range(1, len(days)):
        if kind[i] != kind[i - 1] or days[i] - days[begin] > _ONE_DAY:
            begin = i
            starts.append(i)
    return np.array(starts, dtype=np.intp)


def _variance(change: Floats) -> Floats:
    """Robust variance of what differs from one to the next, from differences `[n, m]`."""
    variance: Floats = (MAD_TO_SD * np.median(np.abs(change), axis=0)) ** 2 / 2.0
    return variance
