"""A machine's range over time in two lines of characters: how much, and on which side of the limits."""

from __future__ import annotations

import math
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from farmwatch.judge.assessment import Trace
from farmwatch.model import Limits
from farmwatch.text import day_of, mm

__all__ = ["history_lines"]

_TENTHS = "0123456789"
_MOST_MARKS = 64


def history_lines(trace: Trace, limits: Limits, zone: ZoneInfo, columns: int) -> tuple[list[str], str]:
    """The largest range of each span of time, in marks of equal length; a span without a reading stays blank.

    The upper line tells how much in tenths of the largest range; the lower one the side of the limits. The words
    after them say what the marks mean.
    """
    marks = max(2, min(_MOST_MARKS, columns - 8, len(trace.at)))
    first, last = trace.at[0], trace.at[-1]
    span = max(last - first, 1.0) / marks
    worst: list[float | None] = [None] * marks
    for at, height in zip(trace.at, trace.range_mm, strict=True):
        place = min(int((at - first) / span), marks - 1)
        worst[place] = height if worst[place] is None else max(worst[place] or 0.0, height)
    top = max(trace.range_mm)
    levels = "".join(" " if h is None else _TENTHS[min(math.ceil(10 * h / top) - 1, 9)] if top > 0 and h > 0 else "0"
                     for h in worst)  # fmt: skip
    sides = "".join(" " if h is None else "." if h <= limits.ideal_mm else "-" if h <= limits.usable_mm else "#"
                    for h in worst)  # fmt: skip
    start, end = (day_of(datetime.fromtimestamp(moment, UTC), zone) for moment in (first, last))
    words = (
        f"{start} to {end}, {_length(span)} a mark; 0 to 9: tenths of {mm(top)} mm; . ideal, - usable, # past the limit"
    )
    return [f"range   {levels}", f"limits  {sides}"], words


def _length(seconds: float) -> str:
    days = seconds / 86400
    return f"{days:.1f} days" if days >= 1 else f"{seconds / 3600:.1f} hours"
