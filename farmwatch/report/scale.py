"""The edition's one scale of millimetres, and the symbols of the conditions on it. Pure.

Every range graphic of an edition is drawn on the same logarithmic scale with both limits marked, so that places can
be compared from page to page.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from farmwatch.judge.assessment import Condition
from farmwatch.model import Limits
from farmwatch.report.svg import Drawing, number, path

__all__ = ["CONDITIONS", "MmScale", "draw_mark", "mark_path"]

CONDITIONS: tuple[tuple[Condition, str], ...] = (
    ("past-limit", "past the limit"), ("usable", "usable"), ("ideal", "ideal"), ("unknown", "not known"),
)  # fmt: skip
_TICKS = (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class MmScale:
    """A logarithmic scale of millimetres from `low` to `high`."""

    low: float
    high: float

    @classmethod
    def holding(cls, values: Sequence[float], limits: Limits) -> MmScale:
        """The scale of an edition: from 0.02 to 2 mm, farther where a value is."""
        known = [value for value in values if value > 0.0]
        low = min([0.02, 0.5 * limits.ideal_mm, *(0.8 * value for value in known)])
        return cls(low=max(low, 0.001), high=max([2.0, 2 * limits.usable_mm, *(1.25 * value for value in known)]))

    def share(self, value: float) -> float:
        """Where a value lies, 0 at `low` and 1 at `high`; held to the ends."""
        held = min(max(value, self.low), self.high)
        return math.log(held / self.low) / math.log(self.high / self.low)

    def ticks(self, limits: Limits, apart: float = 0.07) -> list[float]:
        """Round values on the scale that stand `apart` (a share of it) from each limit."""
        near = (limits.ideal_mm, limits.usable_mm)
        room = [t for t in _TICKS if self.low <= t <= self.high]
        return [t for t in room if all(abs(self.share(t) - self.share(limit)) > apart for limit in near)]


def mark_path(condition: Condition, x: float, y: float, size: float = 4.0) -> str:
    """The outline of a condition's symbol round a point: triangle, half-filled ring and ring as in the key."""
    if condition == "past-limit":
        return path([(x, y - size), (x + size, y + size * 0.8), (x - size, y + size * 0.8)], closed=True)
    r = 0.9 * size
    return (
        f"M{number(x - r)} {number(y)}a{number(r)} {number(r)} 0 1 0 {number(2 * r)} 0"
        f"a{number(r)} {number(r)} 0 1 0 {number(-2 * r)} 0"
    )


def draw_mark(
    drawing: Drawing, condition: Condition, x: float, y: float, size: float = 4.0, *, sure: bool = True
) -> None:
    """A condition's symbol: dashed and hollow where it is not sure."""
    cls = "past" if condition == "past-limit" else "ring"
    drawing.add("path", cls=cls if sure else "unsure", d=mark_path(condition, x, y, size))
    if condition == "usable" and sure:
        r = 0.9 * size
        lower = f"M{number(x - r)} {number(y)}a{number(r)} {number(r)} 0 0 0 {number(2 * r)} 0z"
        drawing.add("path", cls="past", d=lower)
