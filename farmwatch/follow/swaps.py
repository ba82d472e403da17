"""When another plate came to lie on the bed without anybody saying so: the form changes between two readings."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from farmwatch.mesh import Floats

__all__ = ["form_breaks"]

Ints = NDArray[np.intp]

SIDE = 3
# Variance of the median of three normal values over that of one.
_MEDIAN_OF_THREE = 0.4487
# Over the expectation, in its own sd; and over what this machine's forms usually do; and at least this rms change.
_SD_OVER = 10.0
_TIMES_USUAL = 6.0
_LEAST_MM = 0.006


def form_breaks(form: Floats, sigma_mm: float) -> Ints:
    """Readings of form `[n, r, c]` (time order, one grid and temperature band) with which a new form begins.

    The median of three readings before is compared with that of three after, point by point: a single reading that
    went astray moves neither. A break is the highest place of a run in which the mean square change is more than 10 sd
    over what points of noise `sigma_mm` give, more than 6 times what is usual for this machine, and more than 0.006 mm.
    """
    n = len(form)
    if n < 2 * SIDE:
        return np.zeros(0, dtype=np.intp)
    flat = form.reshape(n, -1)
    lost = np.isnan(flat)
    if lost.any():
        # Any value that is the same in all readings will do.
        mean = np.where(lost, 0.0, flat).sum(axis=0) / np.maximum((~lost).sum(axis=0), 1)
        flat = np.where(lost, mean[None, :], flat)
    a, b, c = flat[:-2], flat[1:-1], flat[2:]
    low, high = np.minimum(a, b), np.maximum(a, b)
    middle = np.maximum(low, np.minimum(high, c))
    change = middle[SIDE:] - middle[:-SIDE]
    square = np.einsum("np,np->n", change, change) / flat.shape[1]
    variance = 2.0 * _MEDIAN_OF_THREE * sigma_mm**2
    free = max(flat.shape[1] - 3, 1)
    bar = variance * (1.0 + _SD_OVER * np.sqrt(2.0 / free))
    over = square > max(bar, _TIMES_USUAL * float(np.median(square)), _LEAST_MM**2)
    if not over.any():
        return np.zeros(0, dtype=np.intp)
    place = np.flatnonzero(over)
    runs = np.split(place, np.flatnonzero(np.diff(place) > 1) + 1)
    return np.array([run[square[run].argmax()] + SIDE for run in runs], dtype=np.intp)
