"""Tracks in the height of a table row, each column of them under one axis: last week to now, and the weeks ahead."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime, timedelta, tzinfo

from markupsafe import Markup

from farmwatch.follow import Forecast
from farmwatch.judge.assessment import Condition
from farmwatch.model import Limits
from farmwatch.report.scale import MmScale, draw_mark, mark_path
from farmwatch.report.svg import Drawing, path
from farmwatch.text import day, mm
from farmwatch.tickets import Durability

__all__ = ["due_axis", "due_bars", "due_track", "range_axis", "range_track", "repair_stair"]

_WIDE, _LEFT, _RIGHT = 260.0, 10.0, 250.0
_AHEAD_WIDE = 340.0
_MOVED_UNITS = 8.0


def range_axis(limits: Limits, scale: MmScale, *, key: str) -> Markup:
    """The axis over a column of range tracks: both limits and a few round values."""
    drawing = Drawing(key, _WIDE, 16, title="Axis: range in mm, log scale", kind="track")
    x = _on(scale)
    for value in (limits.ideal_mm, limits.usable_mm):
        drawing.text(f"{value:g}", x(value), 11, cls="named", text_anchor="middle")
    for tick in scale.ticks(limits, apart=0.12):
        anchor = "start" if x(tick) < _LEFT + 8 else "end" if x(tick) > _RIGHT - 8 else "middle"
        drawing.text(f"{tick:g}", x(tick), 11, cls="tick", text_anchor=anchor)
    return drawing.done()


def range_track(
    before_mm: float | None, now_mm: float | None, condition: Condition, limits: Limits, scale: MmScale, *, key: str
) -> Markup:
    """One machine's way from last week's range to this week's."""
    said = [f"{word} {mm(value, 2)} mm" for word, value in (("was", before_mm), ("now", now_mm)) if value is not None]
    drawing = Drawing(key, _WIDE, 16, title=", ".join(said) or "not known", kind="track")
    x = _on(scale)
    for cls, value in (("limit ideal", limits.ideal_mm), ("limit", limits.usable_mm)):
        drawing.line(x(value), 0, x(value), 16, cls)
    if before_mm is not None and (now_mm is None or abs(x(before_mm) - x(now_mm)) >= _MOVED_UNITS):
        drawing.add("path", cls="was", d=mark_path(condition, x(before_mm), 8.0, 3.2))
        if now_mm is not None:
            sign = 1 if x(now_mm) > x(before_mm) else -1
            drawing.line(x(before_mm) + 4 * sign, 8, x(now_mm) - 5 * sign, 8, "hairline")
    if now_mm is not None:
        draw_mark(drawing, condition, x(now_mm), 8.0)
    return drawing.done()


def due_axis(at: datetime, horizon: int, zone: tzinfo, *, key: str) -> Markup:
    """The axis over a column of forecasts: the first of each month."""
    drawing = Drawing(key, _AHEAD_WIDE, 16, title=f"Axis: {horizon // 7} weeks from today", kind="track")
    first = at.astimezone(zone).replace(day=1, hour=0, minute=0, second=0, microsecond=0)
    last = -60.0
    for _ in range(horizon // 28 + 1):
        first = (first + timedelta(days=32)).replace(day=1)
        x = _ahead((first - at).total_seconds() / 86_400, horizon)
        if last + 44 < x < _AHEAD_WIDE - 20 and x > 18:
            drawing.text(day(first.date(), year=False).split(" ", 1)[1], x, 11, cls="tick", text_anchor="middle")
            last = x
    return drawing.done()


def due_track(forecast: Forecast, at: datetime, limit_days: int, zone: tzinfo, *, key: str) -> Markup:
    """When a machine passes the limit: 50 % of the forecast thick, 80 % thin, its median a tick, months in grey."""
    horizon = forecast.horizon_days
    told = [f"over {horizon}" if day is None else f"{day:.0f}" for day in (forecast.p10, forecast.p50, forecast.p90)]
    drawing = Drawing(key, _AHEAD_WIDE, 16, title=f"In {told[1]} days, 80 %: {told[0]} to {told[2]}", kind="track")
    first = at.astimezone(zone).replace(day=1, hour=0, minute=0, second=0, microsecond=0)
    for _ in range(horizon // 28 + 1):
        first = (first + timedelta(days=32)).replace(day=1)
        days = (first - at).total_seconds() / 86_400
        if days < horizon:
            drawing.line(_ahead(days, horizon), 0, _ahead(days, horizon), 16, "now")
    drawing.line(_ahead(limit_days, horizon), 0, _ahead(limit_days, horizon), 16, "limit")
    for cls, early, late, high in (
        ("bar", forecast.p10, forecast.p90, 3.0),
        ("bar50", forecast.p25, forecast.p75, 9.0),
    ):
        if early is None:
            continue
        start, end = _ahead(early, horizon), _ahead(horizon if late is None else late, horizon)
        drawing.add("rect", cls=cls, x=start, y=8 - high / 2, width=max(end - start, 1.5), height=high)
    if forecast.p50 is not None:
        drawing.add("rect", cls="past", x=_ahead(forecast.p50, horizon) - 1.2, y=1.0, width=2.4, height=14.0)
    return drawing.done()


def due_bars(weeks: Sequence[tuple[str, float]], *, key: str) -> Markup:
    """Expected number of machines that pass the usable limit, a bar per week: (name of the week, number)."""
    total = sum(value for _, value in weeks)
    title = f"Machines expected to pass the usable limit in the next {len(weeks)} weeks: {total:.1f}"
    drawing = Drawing(key, 620, 92, title=title, kind="due")
    top = max([1.0, *(value for _, value in weeks)])
    wide = 600.0 / max(len(weeks), 1)
    for i, (name, value) in enumerate(weeks):
        x, high = 10 + wide * i, 50.0 * value / top
        drawing.add("rect", cls="bar50", x=x + 5, y=68 - high, width=wide - 10, height=max(high, 0.5))
        drawing.text(f"{value:.1f}", x + wide / 2, 63 - high, cls="value", text_anchor="middle")
        drawing.text(name, x + wide / 2, 83, cls="tick", text_anchor="middle")
    drawing.line(10, 68, 610, 68, "neat")
    return drawing.done()


def _on(scale: MmScale) -> Callable[[float], float]:
    return lambda value: _LEFT + (_RIGHT - _LEFT) * scale.share(value)


def _ahead(days: float, horizon: int) -> float:
    return 4.0 + (_AHEAD_WIDE - 8.0) * min(max(days, 0.0), horizon) / horizon


def repair_stair(one: Durability, *, key: str) -> Markup:
    """The share of one kind of repairs that still hold, by weeks since the work, with its 95 % interval."""
    drawing = Drawing(key, 360, 118, title=f"{one.method} on {one.model}: share that still holds, by weeks", kind="due")
    left, right, head, foot = 34.0, 350.0, 8.0, 90.0
    days = max(one.longest_days, 28.0)

    def at(day: float, share: float) -> tuple[float, float]:
        return left + (right - left) * day / days, foot - (foot - head) * share

    rows = [(0.0, 1.0, 1.0, 1.0), *one.stair]
    ends = [row[0] for row in rows[1:]] + [days]
    for which, cls in ((2, "low"), (3, "high")):
        drawing.add("path", cls=f"stair {cls}", d=path(_steps([(r[0], r[which]) for r in rows], ends, at)))
    drawing.add("path", cls="stair", d=path(_steps([(r[0], r[1]) for r in rows], ends, at)))
    for share in (0.0, 0.5, 1.0):
        drawing.text(f"{100 * share:.0f} %", left - 5, at(0, share)[1] + 3.5, cls="tick", text_anchor="end")
        drawing.line(left, at(0, share)[1], right, at(0, share)[1], "grid" if share else "neat")
    every = next(step for step in (1, 2, 4, 8, 13, 26, 10**6) if days / 7 / step <= 8)
    for week in range(0, int(days // 7) + 1, every):
        drawing.text(f"{week}", at(7 * week, 0)[0], foot + 14, cls="tick", text_anchor="middle")
    drawing.text("weeks", right, foot + 27, cls="side", text_anchor="end")
    return drawing.done()


def _steps(
    rows: Sequence[tuple[float, float]], ends: Sequence[float], at: Callable[[float, float], tuple[float, float]]
) -> list[tuple[float, float]]:
    return [at(day, share) for (start, share), end in zip(rows, ends, strict=True) for day in (start, end)]
