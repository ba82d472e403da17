"""The report's small drawings: history lines with steps and the forecast's fan, the fleet's ranges, the weeks ahead."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo

from markupsafe import Markup

from farmwatch.follow import Forecast, Step
from farmwatch.judge.assessment import Trace
from farmwatch.model import Limits
from farmwatch.report.svg import Drawing, path
from farmwatch.text import count, day, day_of, mm, percent

__all__ = ["RangeHistory", "due_bars", "history_line", "spark_line"]

_DAY = 86_400.0
_WEEK = 7 * _DAY
_PAST_WEEKS = 26
_MOST_POINTS = 160
_GAP = 3 * _WEEK
_SPARK_POINTS = 56
_FOOT = 98.0


@dataclass(frozen=True, slots=True, kw_only=True)
class RangeHistory:
    """What a history line shows of one machine; `at` is the moment the figures are of."""

    machine: str
    at: datetime
    trace: Trace
    steps: tuple[Step, ...] = ()
    suspected: Step | None = None
    forecast: Forecast | None = None


def history_line(history: RangeHistory, limits: Limits, zone: tzinfo, *, key: str) -> Markup:
    """The range over the last 26 weeks: steps marked by shape, and where there is a forecast its fan to the limit."""
    ahead = _days_ahead(history.forecast)
    now = history.at.timestamp()
    plot = _Plot(Drawing(key, 760, 124, title=f"Range of {history.machine}", desc=_told(history, zone), kind="history"))
    plot.across(now - _PAST_WEEKS * _WEEK, now + ahead * _DAY, 34.0, 752.0)
    seen = _recent(history.trace, plot.start)
    top = max([1.25 * limits.usable_mm, *(1.08 * r for _, r, _ in seen)])
    plot.upright(0.0, top, _FOOT, 12.0)
    plot.limit(limits.usable_mm, "usable")
    plot.limit(limits.ideal_mm, "ideal")
    plot.months(zone)
    plot.heights(top)
    if history.forecast is not None and seen:
        _fan(plot, history, limits, seen[-1])
    _steps(plot, history)
    _readings(plot, seen, history.steps)
    plot.drawing.line(plot.x(now), 8, plot.x(now), _FOOT, "now")
    return plot.drawing.done()


def spark_line(history: RangeHistory, limits: Limits, *, key: str) -> Markup:
    """The same in the height of a table row: the line, the usable limit dashed, a tick at each step, the fan.

    Weeks ahead are drawn only where the limit is as likely as not to be met within the horizon.
    """
    now = history.at.timestamp()
    last = history.trace.range_mm[-1] if history.trace.range_mm else None
    title = f"{history.machine}: {count(len(history.trace.at), 'reading')}"
    title += f", last {mm(last)} mm" if last is not None else ""
    plot = _Plot(Drawing(key, 120, 26, title=title, kind="spark"))
    crossing = history.forecast is not None and history.forecast.p50 is not None
    ahead = _days_ahead(history.forecast) if crossing else 0.0
    plot.across(now - _PAST_WEEKS * _WEEK, now + ahead * _DAY, 1.0, 117.0)
    seen = _recent(history.trace, plot.start)
    plot.upright(0.0, max([1.25 * limits.usable_mm, *(1.05 * r for _, r, _ in seen)]), 25.0, 2.0)
    level = plot.y(limits.usable_mm)
    plot.drawing.line(1, level, 119, level, "limit")
    for step in history.steps:
        if step.at.timestamp() >= plot.start:
            place = plot.x(step.at.timestamp())
            plot.drawing.line(place, 1, place, 6, "step")
    if crossing and seen:
        _fan(plot, history, limits, seen[-1], meets=1.5)
        plot.drawing.line(plot.x(now), 1, plot.x(now), 25, "now")
    line = _thinned([(t, r) for t, r, _ in seen], _SPARK_POINTS)
    if len(line) > 1:
        plot.drawing.add("path", cls="line", d=path([(plot.x(t), plot.y(r)) for t, r in line]))
    elif line:
        plot.drawing.add("circle", cls="dot", cx=plot.x(line[0][0]), cy=plot.y(line[0][1]), r=1.8)
    return plot.drawing.done()


def due_bars(weeks: Sequence[tuple[str, float]], *, key: str) -> Markup:
    """Expected number of machines that pass the usable limit, a bar per week: (name of the week, number)."""
    total = sum(value for _, value in weeks)
    title = f"Machines expected to pass the usable limit in the next {len(weeks)} weeks: {total:.1f}"
    drawing = Drawing(key, 620, 132, title=title, kind="due")
    top = max([1.0, *(value for _, value in weeks)])
    wide = 600.0 / max(len(weeks), 1)
    for i, (name, value) in enumerate(weeks):
        x, high = 10 + wide * i, 84.0 * value / top
        drawing.add("rect", cls="bar", x=x + 5, y=104 - high, width=wide - 10, height=max(high, 0.5))
        drawing.text(f"{value:.1f}", x + wide / 2, 99 - high, cls="value", text_anchor="middle")
        drawing.text(name, x + wide / 2, 119, cls="tick", text_anchor="middle")
    drawing.line(10, 104, 610, 104, "neat")
    return drawing.done()


class _Plot:
    """A drawing with a time axis and an upright one."""

    def __init__(self, drawing: Drawing) -> None:
        self.drawing = drawing
        self.start, self.end = 0.0, 1.0
        self._left, self._right = 0.0, 1.0
        self._low, self._high = 0.0, 1.0
        self._foot, self._head = 1.0, 0.0

    def across(self, start: float, end: float, left: float, right: float) -> None:
        self.start, self.end, self._left, self._right = start, end, left, right

    def upright(self, low: float, high: float, foot: float, head: float) -> None:
        self._low, self._high, self._foot, self._head = low, high, foot, head

    def x(self, epoch: float) -> float:
        return self._left + (self._right - self._left) * (epoch - self.start) / (self.end - self.start)

    def y(self, value: float) -> float:
        return self._foot - (self._foot - self._head) * (value - self._low) / (self._high - self._low)

    def limit(self, value: float, word: str) -> None:
        y = self.y(value)
        self.drawing.line(self._left, y, self._right, y, "limit" if word == "usable" else "limit ideal")

    def months(self, zone: tzinfo) -> None:
        """The first of each month, farm time; every second one where they stand close."""
        self.drawing.line(self._left, self._foot, self._right, self._foot, "neat")
        first = datetime.fromtimestamp(self.start, zone).replace(day=1, hour=0, minute=0, second=0, microsecond=0)
        ticks = []
        while first.timestamp() <= self.end:
            if first.timestamp() >= self.start:
                ticks.append(first)
            first = (first + timedelta(days=32)).replace(day=1)
        every = 2 if len(ticks) > 9 else 1
        for tick in ticks[::every]:
            x = self.x(tick.timestamp())
            self.drawing.line(x, self._foot, x, self._foot + 4, "neat")
            words = day(tick.date(), year=False).split(" ", 1)[1]
            if x < self._right - 14:
                self.drawing.text(words, x, self._foot + 15, cls="tick", text_anchor="middle")

    def heights(self, top: float) -> None:
        """Two or three round heights on the left edge."""
        step = next(s * 10.0**k for k in range(-3, 3) for s in (1, 2, 5) if top / (s * 10.0**k) <= 4)
        for i in range(int(top / step) + 1):
            y = self.y(i * step)
            self.drawing.text(
                f"{i * step:g}",
                self._left - 5,
                y + 3.5,
                cls="tick",
                text_anchor="end",
            )
            self.drawing.line(self._left - 3, y, self._left, y, "neat")
        self.drawing.text("mm", self._left - 5, self._foot + 15, cls="tick", text_anchor="end")


def _days_ahead(forecast: Forecast | None) -> float:
    """How far to the right the paper reaches: past the fan's late edge, four weeks at least, the horizon at most."""
    if forecast is None:
        return 3.0
    late = [day for day in (forecast.p90, forecast.p50, forecast.p10) if day is not None]
    if forecast.p90 is None:
        return float(forecast.horizon_days)
    return min(float(forecast.horizon_days), max(28.0, 1.15 * late[0]))


def _recent(trace: Trace, start: float) -> list[tuple[float, float, bool]]:
    rows = zip(trace.at, trace.range_mm, trace.judged, strict=True)
    return [(t, r, judged) for t, r, judged in rows if t >= start]


def _thinned(rows: list[tuple[float, float]], most: int) -> list[tuple[float, float]]:
    """At most `most` points, the lowest and the highest of each stretch kept, first and last too."""
    if len(rows) <= most:
        return rows
    stretches = most // 2
    kept: set[int] = {0, len(rows) - 1}
    for i in range(stretches):
        part = range(i * len(rows) // stretches, (i + 1) * len(rows) // stretches)
        kept.add(min(part, key=lambda k: rows[k][1]))
        kept.add(max(part, key=lambda k: rows[k][1]))
    return [rows[k] for k in sorted(kept)]


def _readings(plot: _Plot, seen: list[tuple[float, float, bool]], steps: Sequence[Step]) -> None:
    """A line through the judged readings; none over a gap or a step, where nothing is known or nothing went slowly."""
    judged = [(t, r) for t, r, ok in seen if ok]
    for piece in _pieces(_thinned(judged, _MOST_POINTS), [step.at.timestamp() for step in steps]):
        if len(piece) > 1:
            plot.drawing.add("path", cls="line", d=path([(plot.x(t), plot.y(r)) for t, r in piece]))
        else:
            plot.drawing.add("circle", cls="dot", cx=plot.x(piece[0][0]), cy=plot.y(piece[0][1]), r=1.6)
    for t, r in judged[-1:]:
        plot.drawing.add("circle", cls="dot", cx=plot.x(t), cy=plot.y(r), r=2.6)
    for t, r, ok in seen:
        if not ok:
            plot.drawing.add("circle", cls="aside", cx=plot.x(t), cy=plot.y(r), r=2.2)


def _pieces(line: Sequence[tuple[float, float]], breaks: Sequence[float]) -> list[list[tuple[float, float]]]:
    """The line cut at every step (`breaks`, its first reading after it) and at every gap of over three weeks."""
    pieces: list[list[tuple[float, float]]] = []
    for at, value in line:
        before = pieces[-1][-1][0] if pieces else math.inf
        if not pieces or at - before > _GAP or any(before < step <= at for step in breaks):
            pieces.append([])
        pieces[-1].append((at, value))
    return pieces


def _steps(plot: _Plot, history: RangeHistory) -> None:
    """A line down the chart with a sign on top: diamond a tooth jump, square a repair, ring a plate, bar a shift."""
    steps = [(step, "step") for step in history.steps]
    if history.suspected is not None:
        steps.append((history.suspected, "step suspected"))
    for step, cls in steps:
        when = step.at.timestamp()
        if not plot.start <= when <= plot.end:
            continue
        x = plot.x(when)
        plot.drawing.line(x, 8, x, _FOOT, cls)
        if step.name == "tooth-jump":
            plot.drawing.add("path", cls="sign", d=path([(x, 1), (x + 4.5, 5.5), (x, 10), (x - 4.5, 5.5)], closed=True))
        elif step.name == "repair":
            plot.drawing.add("rect", cls="sign open", x=x - 3.8, y=1.7, width=7.6, height=7.6)
        elif step.name == "plate-change":
            plot.drawing.add("circle", cls="sign open", cx=x, cy=5.5, r=4.0)
        else:
            plot.drawing.line(x - 5, 5.5, x + 5, 5.5, "sign open")


def _fan(
    plot: _Plot, history: RangeHistory, limits: Limits, last: tuple[float, float, bool], meets: float = 3.0
) -> None:
    """From the last reading to where the limit is met: early (p10) to late (p90), the middle (p50) as a line."""
    forecast = history.forecast
    if forecast is None or forecast.p10 is None:
        return
    now, level = history.at.timestamp(), limits.usable_mm
    # A quantile later than the horizon is drawn as if it were met at the horizon: the fan then stays open.
    early, late = (now + _DAY * (d if d is not None else forecast.horizon_days) for d in (forecast.p10, forecast.p90))
    apex = (plot.x(last[0]), plot.y(last[1]))
    edge = [apex, (plot.x(early), plot.y(level)), (plot.x(late), plot.y(level))]
    plot.drawing.add("path", cls="fan", d=path(edge, closed=True))
    if forecast.p50 is not None:
        middle = (plot.x(now + forecast.p50 * _DAY), plot.y(level))
        plot.drawing.add("path", cls="middle", d=path([apex, middle]))
        plot.drawing.add("circle", cls="meets", cx=middle[0], cy=middle[1], r=meets)


def _told(history: RangeHistory, zone: tzinfo) -> str:
    parts = [count(len(history.trace.at), "reading") + " in the record."]
    parts += [f"{step.name} on {day_of(step.at, zone)}." for step in history.steps]
    forecast = history.forecast
    if forecast is not None:
        middle = "later than the horizon" if forecast.p50 is None else f"in {forecast.p50:.0f} days"
        parts.append(
            f"Forecast: {percent(forecast.chance)} within {forecast.horizon_days} days; as likely as not {middle}."
        )
    return " ".join(parts)
