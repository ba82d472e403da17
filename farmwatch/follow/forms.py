"""The form of each plate, in each orientation: when it changed, and means of many readings."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from farmwatch.follow.followed import Form
from farmwatch.follow.series import Series
from farmwatch.mesh import Floats

__all__ = ["form_changed", "forms_of", "mean_form"]

Ints = NDArray[np.intp]

# A form has changed when its rms change is this many times what noise gives, and no less than this.
_TIMES, _LEAST_MM = 2.5, 0.006
_READINGS = 12


def forms_of(one: Series, kept: Ints) -> tuple[Form, ...]:
    """Mean form of every spell in which one plate lay one way, in time order."""
    return tuple(_form(one, kept[one.lie[kept] == lie]) for lie in np.unique(one.lie[kept]))


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
    left = left[one.lie[left] == one.lie[left[-1]]][-_READINGS:]
    right = right[one.lie[right] == one.lie[right[0]]][:_READINGS]
    change = mean_form(one.form[right]) - mean_form(one.form[left])
    change = change[np.isfinite(change)]
    if change.size < 6:
        return False
    expected = one.point_sigma_mm * float(np.sqrt(1.0 / left.size + 1.0 / right.size))
    return float(np.sqrt(np.mean(change**2))) > max(_TIMES * expected, _LEAST_MM)


def _form(one: Series, rows: Ints) -> Form:
    last = int(rows[-1])
    return Form(
        plate=one.history.plate[last],
        turned=bool(one.turned[last]),
        x=one.x,
        y=one.y,
        mean=mean_form(one.form[rows]),
        sd=one.point_sigma_mm / float(np.sqrt(rows.size)),
        readings=int(rows.size),
        since=_time(one, int(rows[0])),
        until=_time(one, last),
    )


def _time(one: Series, reading: int) -> datetime:
    return datetime.fromtimestamp(0, UTC) + timedelta(seconds=float(one.history.taken_at[reading]))
