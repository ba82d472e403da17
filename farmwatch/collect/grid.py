"""From the values of an answer to rows of heights: strict about what a number is, exact about where it stands.

`numbers` reads a list of values; `Convention` turns runs of values (as the host lists them) into a grid with row 0
at the front and column 0 at the left, and knows the coordinates that belong to it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from farmwatch.collect.faults import PollError
from farmwatch.collect.lookup import MISSING
from farmwatch.mesh import Floats
from farmwatch.text import excerpt

__all__ = ["MOST_POINTS", "Convention", "axis", "check_count", "kind", "numbers", "points_grid"]

MOST_POINTS = 40_000
"""200 x 200: no bed is probed more finely, and a larger block is another quantity."""

_NUMBERS = {int, float}
_NUMBERS_AND_NULL = {int, float, type(None)}
MILLIMETRES = {"mm": 1.0, "um": 0.001, "inch": 25.4}


def kind(value: Any) -> str:
    """What a JSON value is, in words."""
    if value is None:
        return "null"
    if value is MISSING:
        return "nothing"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return f"the text {excerpt(value, 30)!r}"
    if isinstance(value, list):
        return f"a list of {len(value):,}"
    return "an object" if isinstance(value, dict) else "a number"


def numbers(values: Sequence[Any], place: Callable[[int], str], *, nulls: bool = False) -> Floats:
    """`values` as an array; NaN for null where `nulls` may be.

    Raises PollError for a text, a boolean or anything else, where `place` names the i-th value:
    "row 3, value 2 holds the text 'abc'".
    """
    kinds = set(map(type, values))
    if not kinds <= _NUMBERS and not (nulls and kinds <= _NUMBERS_AND_NULL):
        for i, value in enumerate(values):
            if type(value) not in _NUMBERS and not (nulls and value is None):
                raise PollError("garbled", f"{place(i)} holds {kind(value)} where a number is wanted")
    try:
        # None becomes NaN.
        return np.array(values, dtype=np.float64)
    except OverflowError:
        raise PollError("implausible", f"{place(0)} and on: a number of more than 300 digits") from None


def check_count(count: int) -> None:
    """Refuse a block that no bed has, before it costs anything."""
    if count > MOST_POINTS:
        raise PollError("implausible", f"{count:,} heights; no bed is probed at more than {MOST_POINTS:,} points")


@dataclass(frozen=True, slots=True, kw_only=True)
class Convention:
    """How a host lists heights: the corner of the first, the way of a run, every second run backwards, unit, sign."""

    first: str = "front-left"
    order: str = "along-x"
    serpentine: bool = False
    unit: str = "mm"
    sign: str = "bed-up"

    @property
    def from_rear(self) -> bool:
        """Whether the first height stands at the rear."""
        return self.first.startswith("rear")

    @property
    def from_right(self) -> bool:
        """Whether the first height stands at the right."""
        return self.first.endswith("right")

    def heights(self, values: Floats) -> Floats:
        """`values`, any shape, as mm that are positive where the bed is higher."""
        factor = MILLIMETRES[self.unit] * (1.0 if self.sign == "bed-up" else -1.0)
        return values if factor == 1.0 else values * factor

    def grid(self, runs: Floats) -> Floats:
        """Runs `[run, along]` in the order listed, as `[rows, columns]` from the front left."""
        if self.serpentine:
            runs = runs.copy()
            runs[1::2] = runs[1::2, ::-1]
        if self.order == "along-y":
            runs = runs.T
        if self.from_rear:
            runs = runs[::-1]
        if self.from_right:
            runs = runs[:, ::-1]
        return runs

    def shape_of_runs(self, count: int, columns: int) -> tuple[int, int]:
        """(runs, values in a run) of a flat list of `count` heights in `columns` columns; PollError where they do not
        divide."""
        if columns < 1 or count % columns:
            raise PollError("garbled", f"{count:,} heights do not fill {columns:,} columns")
        rows = count // columns
        return (rows, columns) if self.order == "along-x" else (columns, rows)


def axis(name: str, values: Floats, count: int, *, backwards: bool) -> Floats:
    """`count` coordinates, ascending, from as many or from the two ends.

    A falling list is in the order of the heights, so that it must begin at the corner that the mapping calls first.
    """
    if values.size not in (2, count):
        raise PollError("garbled", f"{values.size:,} {name} coordinates for {count:,} heights along {name}")
    if values[0] > values[-1]:
        if not backwards:
            side = "right" if name == "x" else "rear"
            raise PollError(
                "garbled",
                f"{name} falls from {values[0]:g} to {values[-1]:g}, so the first height stands at the {side}; "
                "the mapping's `first` says otherwise",
            )
        values = values[::-1]
    if values.size == count:
        return values
    # From both ends by turns, so that neither end is off by a rounding.
    share = np.arange(count) / max(count - 1, 1)
    between: Floats = values[0] * (1.0 - share) + values[1] * share
    return between


def points_grid(x: Floats, y: Floats, z: Floats) -> tuple[Floats, Floats, Floats]:
    """Points x, y, z `[n]` in any order as axes and grid; NaN where a point of the grid is missing."""
    xs, column = _distinct(x)
    ys, row = _distinct(y)
    check_count(xs.size * ys.size)
    place = row * xs.size + column
    order = np.argsort(place, kind="stable")
    twice = np.flatnonzero(np.diff(place[order]) == 0)
    if twice.size:
        at = order[twice[0] + 1]
        raise PollError("implausible", f"two heights stand at x {x[at]:g}, y {y[at]:g}")
    grid = np.full((ys.size, xs.size), np.nan)
    grid[row, column] = z
    return xs, ys, grid


def _distinct(values: Floats) -> tuple[Floats, Any]:
    """Distinct coordinates and each value's place among them; neighbours within a thousandth of the span are one."""
    if not np.isfinite(values).all():
        raise PollError("implausible", "a coordinate of a point is not finite")
    order = np.argsort(values, kind="stable")
    ranked = values[order]
    new = np.diff(ranked, prepend=-np.inf) > 1e-3 * max(float(np.ptp(values)), 1e-9)
    group = np.cumsum(new) - 1
    place = np.empty(values.size, dtype=np.intp)
    place[order] = group
    return ranked[new], place
