"""A machine in the size of a stamp: tilt as an arrow, 26 weeks of dots, today's mark on the common scale."""

from __future__ import annotations

import math

import numpy as np
from markupsafe import Markup

from farmwatch.judge import Assessment
from farmwatch.model import Limits
from farmwatch.report.history import PAST_WEEKS, WEEK, RangeHistory
from farmwatch.report.scale import MmScale, draw_mark
from farmwatch.report.svg import Drawing, path
from farmwatch.text import mm

__all__ = ["machine_cell"]

_WIDE, _HIGH = 150, 44
_SQUARE, _LEFT, _RIGHT = 30.0, 40.0, 140.0
_COLUMNS = 50
# A tilt of so many mm a metre reaches the edge of the square; under the least one there is no arrow.
_FULL_TILT, _LEAST_TILT = 5.0, 0.15


def machine_cell(
    machine: Assessment, history: RangeHistory | None, limits: Limits, scale: MmScale, *, key: str
) -> Markup:
    """The stamp of one machine; `history` is None where it has no reading."""
    drawing = Drawing(key, _WIDE, _HIGH, title=_told(machine), kind="stamp")
    _tilt(drawing, machine)

    def y(value: float) -> float:
        return _HIGH - 3 - (_HIGH - 6) * scale.share(value)

    for cls, value in (("limit", limits.usable_mm), ("limit ideal", limits.ideal_mm)):
        drawing.line(_LEFT, round(y(value), 1), _RIGHT, round(y(value), 1), cls)
    if history is not None:
        dots = _dots(history, scale)
        if dots:
            drawing.add("path", cls="dots", d=dots)
    if machine.condition_range_mm is not None:
        draw_mark(drawing, machine.condition, _RIGHT + 5, y(machine.condition_range_mm), sure=machine.confirmed)
    return drawing.done()


def _dots(history: RangeHistory, scale: MmScale) -> str:
    """The judged meshes of 26 weeks: of each stretch of half a week the lowest and the highest, in whole units.

    At this size a tenth of a unit is not seen and would weigh on the file of a large farm.
    """
    trace, now = history.trace, history.at.timestamp()
    start = now - PAST_WEEKS * WEEK
    at, mm_of = np.array(trace.at), np.array(trace.range_mm)
    kept = np.array(trace.judged, dtype=bool) & (at >= start) & (at <= now)
    if not kept.any():
        return ""
    column = np.minimum(((at[kept] - start) / (now - start) * _COLUMNS).astype(int), _COLUMNS - 1)
    held = np.clip(mm_of[kept], scale.low, scale.high)
    share = np.log(held / scale.low) / math.log(scale.high / scale.low)
    y = np.rint(_HIGH - 3 - (_HIGH - 6) * share).astype(int)
    top, foot = np.full(_COLUMNS, _HIGH), np.full(_COLUMNS, -1)
    np.minimum.at(top, column, y)
    np.maximum.at(foot, column, y)
    wide = (_RIGHT - _LEFT) / _COLUMNS
    seen = np.flatnonzero(foot >= 0)
    places = [(round(_LEFT + wide * (c + 0.5)), int(top[c]), int(foot[c])) for c in seen]
    return "".join(f"M{x} {high}h0" + (f"M{x} {low}h0" if low > high else "") for x, high, low in places)


def _tilt(drawing: Drawing, machine: Assessment) -> None:
    """The bed from above with an arrow uphill, as long as the tilt is steep; a point where it is level."""
    top, half = (_HIGH - _SQUARE) / 2, _SQUARE / 2
    drawing.add("rect", cls="plot", x=1.0, y=top, width=_SQUARE, height=_SQUARE)
    tilt = machine.tilt
    if tilt is None:
        return
    x, y = 1.0 + half, top + half
    steep = math.hypot(tilt.x_mm_per_m, tilt.y_mm_per_m)
    if steep < _LEAST_TILT:
        drawing.add("circle", cls="dot", cx=x, cy=y, r=1.6)
        return
    reach = (half - 2) * min(1.0, 0.25 + 0.75 * steep / _FULL_TILT)
    ux, uy = tilt.x_mm_per_m / steep, -tilt.y_mm_per_m / steep
    tip, tail = (x + reach * ux, y + reach * uy), (x - reach * ux, y - reach * uy)
    drawing.add("path", cls="arrow", d=path([tail, tip]))
    foot = (tip[0] - 5 * ux, tip[1] - 5 * uy)
    barbs = [(foot[0] + side * uy, foot[1] - side * ux) for side in (3, -3)]
    drawing.add("path", cls="past", d=path([tip, *barbs], closed=True))


def _told(machine: Assessment) -> str:
    if machine.condition_range_mm is None:
        return f"{machine.machine}: no range known"
    side = "" if machine.tilt is None or machine.tilt.high_side is None else f", {machine.tilt.high_side} side high"
    return f"{machine.machine}: {mm(machine.condition_range_mm)} mm{side}"
