"""The form of each plate, in each orientation: when another came to lie on the bed, and means of many readings."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from farmwatch.follow.findings import PlateForm
from farmwatch.mesh import Floats

if TYPE_CHECKING:
    from farmwatch.follow.series import Series

__all__ = ["form_changed", "forms_of", "mean_form", "plate_changes"]

Ints = NDArray[np.intp]

# A form has changed when its rms change is this many times what noise gives, and no less than this.
_TIMES, _LEAST_MM = 2.5, 0.006
_READINGS = 12
# Readings on each side of a change that nobody told of.
_SIDE = 3
# Variance of the median of three normal values over that of one.
_MEDIAN_OF_THREE = 0.4487
# Over the expectation, in its own sd; and over what this machine's forms usually do; and at least this rms change.
_SD_OVER = 10.0
_TIMES_USUAL = 6.0
_LEAST_CHANGE_MM = 0.006


def forms_of(one: Series, kept: Ints) -> tuple[PlateForm, ...]:
    """Mean form of every span in which one plate lay one way, in time order."""
    return tuple(_form(one, kept[one.plate_epoch[kept] == epoch]) for epoch in np.unique(one.plate_epoch[kept]))


def mean_form(form: Floats) -> Floats:
    """Mean of forms `[n, r, c]` over the points present; NaN where none is."""
    here = np.isfinite(form)
    if here.all():
        whole: Floats = form.mean(axis=0)
        return whole
    count = here.sum(axis=0)
    mean: Floats = np.where(here, form, 0.0).sum(axis=0) / np.where(count > 0, count, np.nan)
    return mean


def form_changed(one: Series, left: Ints, right: Ints) -> bool:
    """Whether the mean form differs between readings `left` before a break and `right` after it by more than noise.

    Never between two grids: a bent form read on other points looks a little different.
    """
    left, right = left[one.grid[left] == one.grid[right[0]]], right[one.grid[right] == one.grid[right[0]]]
    if not left.size:
        return False
    before, after = one.plate_epoch[left[-1]], one.plate_epoch[right[0]]
    if before != after and one.returning[left[-1]] and one.returning[right[0]]:
        # Plates in turn differ without more ado: what counts is one of them, read on both sides.
        both = np.intersect1d(one.plate_epoch[left], one.plate_epoch[right])
        if not both.size:
            return False
        before = after = before if before in both else both[0]
    left = left[one.plate_epoch[left] == before][-_READINGS:]
    right = right[one.plate_epoch[right] == after][:_READINGS]
    change = mean_form(one.measured.form[right]) - mean_form(one.measured.form[left])
    change = change[np.isfinite(change)]
    if change.size < 6:
        return False
    expected = one.measured.noise.sigma_mm * float(np.sqrt(1.0 / left.size + 1.0 / right.size))
    return float(np.sqrt(np.mean(change**2))) > max(_TIMES * expected, _LEAST_MM)


def plate_changes(form: Floats, sigma_mm: float) -> Ints:
    """Readings of form `[n, r, c]` (time order, one grid and temperature band) with which a new form begins.

    The median of three readings before is compared with that of three after, point by point: a single reading that
    went astray moves neither. A break is the highest place of a run in which the mean square change is more than 10 sd
    over what points of noise `sigma_mm` give, more than 6 times what is usual for this machine, and more than 0.006 mm.
    """
    n = len(form)
    if n < 2 * _SIDE:
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
    change = middle[_SIDE:] - middle[:-_SIDE]
    square = np.einsum("np,np->n", change, change) / flat.shape[1]
    variance = 2.0 * _MEDIAN_OF_THREE * sigma_mm**2
    free = max(flat.shape[1] - 3, 1)
    bar = variance * (1.0 + _SD_OVER * np.sqrt(2.0 / free))
    over = square > max(bar, _TIMES_USUAL * float(np.median(square)), _LEAST_CHANGE_MM**2)
    if not over.any():
        return np.zeros(0, dtype=np.intp)
    place = np.flatnonzero(over)
    runs = np.split(place, np.flatnonzero(np.diff(place) > 1) + 1)
    return np.array([run[square[run].argmax()] + _SIDE for run in runs], dtype=np.intp)


def _form(one: Series, rows: Ints) -> PlateForm:
    last = int(rows[-1])
    return PlateForm(
        plate=one.measured.history.plate[last],
        turned=bool(one.turned[last]),
        x=one.measured.x,
        y=one.measured.y,
        mean=mean_form(one.measured.form[rows]),
        sd=one.measured.noise.sigma_mm / float(np.sqrt(rows.size)),
        readings=int(rows.size),
        since=one.at(int(rows[0])),
        until=one.at(last),
    )
