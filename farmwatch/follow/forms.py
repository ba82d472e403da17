"""The form of each plate, in each orientation: means of many readings."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from farmwatch.follow.followed import Form
from farmwatch.follow.series import Series

__all__ = ["forms_of"]


def forms_of(one: Series, kept: NDArray[np.intp]) -> tuple[Form, ...]:
    """Mean form of every spell in which one plate lay one way, in time order."""
    return tuple(_form(one, kept[one.lie[kept] == lie]) for lie in np.unique(one.lie[kept]))


def _form(one: Series, rows: NDArray[np.intp]) -> Form:
    form = one.form[rows]
    here = np.isfinite(form)
    count = here.sum(axis=0)
    last = int(rows[-1])
    return Form(
        plate=one.history.plate[last],
        turned=bool(one.turned[last]),
        x=one.x,
        y=one.y,
        mean=np.where(here, form, 0.0).sum(axis=0) / np.where(count > 0, count, np.nan),
        sd=one.point_sigma_mm / float(np.sqrt(rows.size)),
        readings=int(rows.size),
        since=_time(one, int(rows[0])),
        until=_time(one, last),
    )


def _time(one: Series, reading: int) -> datetime:
    return datetime.fromtimestamp(0, UTC) + timedelta(seconds=float(one.history.taken_at[reading]))
