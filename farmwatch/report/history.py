"""A machine's range over 26 weeks on the edition's scale: a dot a mesh, steps at their date, the forecast as a fan."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo

from markupsafe import Markup

from farmwatch.follow import Forecast, Step
from farmwatch.judge.assessment import Trace
from farmwatch.model import Limits
from farmwatch.report.excursions import Dot, excursions
from farmwatch.report.scale import MmScale
from farmwatch.report.svg import Drawing, number, path
from farmwatch.text import count, day, day_of, joined, mm, percent, signed

__all__ = ["RangeHistory", "excursion_words", "history_line", "recent"]

DAY = 86_400.0
WEEK = 7 * DAY
PAST_WEEKS = 26
_MOST_POINTS = 160
_GAP = 3 * WEEK
_HEAD, _BELOW = 13.0, 24.0
# Standard normal quantiles: the fan begins as wide as the range is uncertain today.
_SD_80, _SD_50 = 1.2816, 0.6745
_BEND = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class RangeHistory:
    """What a history line shows of one machine; `at` is the moment the figures are of."""

    machine: str
    at: datetime
    trace: Trace
    steps: tuple[Step, ...] = ()
    suspected: Step | None = None
    forecast: Forecast | None = None
    sd_mm: float = 0.01
    """Standard deviation of one range."""


def recent(history: RangeHistory) -> tuple[list[Dot], list[Dot]]:
    """Of the last 26 weeks the judged meshes, and those that were not judged."""
    trace, start = history.trace, history.at.timestamp() - PAST_WEEKS * WEEK
    seen = [row for row in zip(trace.at, trace.range_mm, trace.judged, strict=True) if row[0] >= start]
    return [(t, r) for t, r, judged in seen if judged], [(t, r) for t, r, judged in seen if not judged]


def excursion_words(history: RangeHistory, zone: tzinfo) -> str:
    """The meshes that stand alone by their days; empty where none does."""
    alone = excursions(recent(history)[0], history.sd_mm, [step.at.timestamp() for step in history.steps])
    days = list(dict.fromkeys(day_of(datetime.fromtimestamp(t, zone), zone, year=False) for t, _ in alone))
    return f"Hollow: {count(len(alone), 'mesh', 'meshes')} apart from the rest, {joined(days, 5)}." if alone else ""


def history_line(
    history: RangeHistory, limits: Limits, zone: tzinfo, *, key: str, scale: MmScale | None = None, tall: float = 136.0
) -> Markup:
    """The range over the last 26 weeks: steps marked by shape, and where there is a forecast its fan to the limit.

    scale: that of all drawings which are compared with this one; None for one that stands alone.
    """
    scale = scale or MmScale.holding(history.trace.range_mm, limits)
    title = f"Range of {history.machine} in 26 weeks, mm, log scale"
    plot = _Plot(Drawing(key, 760, tall, title=title, desc=_told(history, zone), kind="history"), scale)
    now = history.at.timestamp()
    plot.across(now - PAST_WEEKS * WEEK, now + _days_ahead(history.forecast) * DAY)
    plot.frame(limits, zone)
    judged, aside = recent(history)
    if judged:
        _fan(plot, history, limits, judged[-1])
    breaks = [step.at.timestamp() for step in history.steps]
    alone = set(excursions(judged, history.sd_mm, breaks))
    _steps(plot, history, [dot for dot in judged if dot not in alone])
    _dots(plot, [dot for dot in judged if dot not in alone], breaks)
    for t, r in [*sorted(alone), *aside]:
        plot.drawing.add("circle", cls="aside", cx=plot.x(t), cy=plot.y(r), r=2.4)
    plot.drawing.line(plot.x(now), _HEAD, plot.x(now), plot.foot, "now")
    return plot.drawing.done()


class _Plot:
    """A drawing with a time axis and the edition's scale upright."""

    def __init__(self, drawing: Drawing, scale: MmScale) -> None:
        self.drawing, self.scale = drawing, scale
        self.start, self.end = 0.0, 1.0
        self.left, self.right, self.foot = 62.0, 752.0, drawing.height - _BELOW

    def across(self, start: float, end: float) -> None:
        self.start, self.end = start, end

    def x(self, epoch: float) -> float:
        return self.left + (self.right - self.left) * (epoch - self.start) / (self.end - self.start)

    def y(self, value: float) -> float:
        return self.foot - (self.foot - _HEAD) * self.scale.share(value)

    def frame(self, limits: Limits, zone: tzinfo) -> None:
        """Both limits named, round heights, the first of each month in farm time."""
        for word, value in (("usable", limits.usable_mm), ("ideal", limits.ideal_mm)):
            y = self.y(value)
            self.drawing.line(self.left, y, self.right, y, "limit" if word == "usable" else "limit ideal")
            self.drawing.text(f"{word} {value:g}", self.left - 5, y + 3.5, cls="tick", text_anchor="end")
        for tick in self.scale.ticks(limits, apart=0.15):
            self.drawing.text(f"{tick:g}", self.left - 5, self.y(tick) + 3.5, cls="tick", text_anchor="end")
            self.drawing.line(self.left - 3, self.y(tick), self.left, self.y(tick), "neat")
        self.drawing.text("mm, log", self.left - 5, self.foot + 16, cls="tick", text_anchor="end")
        self.drawing.line(self.left, self.foot, self.right, self.foot, "neat")
        first = datetime.fromtimestamp(self.start, zone).replace(day=1, hour=0, minute=0, second=0, microsecond=0)
        ticks = []
        while first.timestamp() <= self.end:
            ticks += [first] if first.timestamp() >= self.start else []
            first = (first + timedelta(days=32)).replace(day=1)
        for month in ticks[:: 2 if len(ticks) > 9 else 1]:
            x = self.x(month.timestamp())
            self.drawing.line(x, self.foot, x, self.foot + 4, "neat")
            if self.left + 14 < x < self.right - 14:
                words = day(month.date(), year=False).split(" ", 1)[1]
                self.drawing.text(words, x, self.foot + 16, cls="tick", text_anchor="middle")


def _days_ahead(forecast: Forecast | None) -> float:
    """How far to the right the paper reaches: past the fan's late edge, four weeks at least, the horizon at most."""
    if forecast is None:
        return 3.0
    if forecast.p90 is None:
        return float(forecast.horizon_days)
    return min(float(forecast.horizon_days), max(28.0, 1.15 * forecast.p90))


def thinned(rows: list[Dot], most: int) -> list[Dot]:
    """At most `most` dots, the lowest and the highest of each stretch kept, first and last too."""
    if len(rows) <= most:
        return rows
    stretches = most // 2
    kept: set[int] = {0, len(rows) - 1}
    for i in range(stretches):
        part = range(i * len(rows) // stretches, (i + 1) * len(rows) // stretches)
        kept.add(min(part, key=lambda k: rows[k][1]))
        kept.add(max(part, key=lambda k: rows[k][1]))
    return [rows[k] for k in sorted(kept)]


def _dots(plot: _Plot, judged: list[Dot], breaks: Sequence[float]) -> None:
    """A dot a mesh, and a fine line along them; none over a gap or a step, where nothing is known or nothing slow."""
    shown = thinned(judged, _MOST_POINTS)
    for piece in _pieces(shown, breaks):
        if len(piece) > 1:
            plot.drawing.add("path", cls="along", d=path([(plot.x(t), plot.y(r)) for t, r in piece]))
    dots = "".join(f"M{number(plot.x(t))} {number(plot.y(r))}h0" for t, r in shown)
    if dots:
        plot.drawing.add("path", cls="dots", d=dots)
        plot.drawing.add("circle", cls="dot", cx=plot.x(judged[-1][0]), cy=plot.y(judged[-1][1]), r=2.8)


def _pieces(line: Sequence[Dot], breaks: Sequence[float]) -> list[list[Dot]]:
    """The line cut at every step (`breaks`, its first reading after it) and at every gap of over three weeks."""
    pieces: list[list[Dot]] = []
    for at, value in line:
        before = pieces[-1][-1][0] if pieces else math.inf
        if not pieces or at - before > _GAP or any(before < step <= at for step in breaks):
            pieces.append([])
        pieces[-1].append((at, value))
    return pieces


def _steps(plot: _Plot, history: RangeHistory, judged: Sequence[Dot]) -> None:
    """An upright from the range before to the one after, with a sign on top: diamond a tooth jump, square a repair,
    ring a plate, bar a shift."""
    steps = [(step, "step") for step in history.steps]
    if history.suspected is not None:
        steps.append((history.suspected, "step suspected"))
    for step, cls in steps:
        when = step.at.timestamp()
        if not plot.start <= when <= plot.end:
            continue
        x = plot.x(when)
        plot.drawing.line(x, _HEAD - 3, x, plot.foot, f"{cls} fine")
        ends = [r for t, r in judged if t < when][-1:] + [r for t, r in judged if t >= when][:1]
        if len(ends) == 2:
            plot.drawing.line(x, plot.y(ends[0]), x, plot.y(ends[1]), cls)
        if step.name == "tooth-jump":
            plot.drawing.add("path", cls="sign", d=path([(x, 1), (x + 4.5, 5.5), (x, 10), (x - 4.5, 5.5)], closed=True))
        elif step.name == "repair":
            plot.drawing.add("rect", cls="sign open", x=x - 3.8, y=1.7, width=7.6, height=7.6)
        elif step.name == "plate-change":
            plot.drawing.add("circle", cls="sign open", cx=x, cy=5.5, r=4.0)
        else:
            plot.drawing.line(x - 5, 5.5, x + 5, 5.5, "sign open")


def _fan(plot: _Plot, history: RangeHistory, limits: Limits, last: Dot) -> None:
    """From today's range with its uncertainty to the days on which the limit is met: 80 %, 50 %, and the median."""
    forecast = history.forecast
    if forecast is None or forecast.p10 is None:
        return
    bands = (("band80", forecast.p10, forecast.p90, _SD_80), ("band50", forecast.p25, forecast.p75, _SD_50))
    for cls, early, late, width in bands:
        if early is not None:
            spread = width * history.sd_mm
            above = _way(plot, history, limits, (last[0], last[1] + spread), early)
            below = _way(plot, history, limits, (last[0], last[1] - spread), late)
            plot.drawing.add("path", cls=cls, d=path([*above, *reversed(below)], closed=True))
    if forecast.p50 is not None:
        middle = _way(plot, history, limits, last, forecast.p50)
        plot.drawing.add("path", cls="middle", d=path(middle))
        plot.drawing.add("circle", cls="meets", cx=middle[-1][0], cy=middle[-1][1], r=3.0)


def _way(
    plot: _Plot, history: RangeHistory, limits: Limits, start: Dot, days: float | None
) -> list[tuple[float, float]]:
    """Straight in mm from today to the limit on that day; level to the horizon where it is not met within it."""
    t0, r0 = start[0], min(max(start[1], plot.scale.low), limits.usable_mm)
    horizon = history.forecast.horizon_days if history.forecast is not None else 0
    t1 = history.at.timestamp() + DAY * (horizon if days is None else days)
    r1 = r0 if days is None else limits.usable_mm
    shares = [i / _BEND for i in range(_BEND + 1)]
    way = [(plot.x(t0 + s * (t1 - t0)), plot.y(r0 + s * (r1 - r0))) for s in shares]
    return [*way, (way[-1][0], plot.y(limits.usable_mm))] if days is None else way


def _told(history: RangeHistory, zone: tzinfo) -> str:
    judged, _ = recent(history)
    parts = [count(len(history.trace.at), "reading") + " in the record."]
    if judged:
        first, last = judged[0], judged[-1]
        moved = f", {signed(last[1] - first[1], 2)} mm since {day_of(datetime.fromtimestamp(first[0], zone), zone)}"
        parts.append(f"Now {mm(last[1])} mm{moved if len(judged) > 1 else ''}.")
    parts += [f"{step.name} on {day_of(step.at, zone)}." for step in history.steps]
    forecast = history.forecast
    if forecast is not None:
        middle = "later than the horizon" if forecast.p50 is None else f"in {forecast.p50:.0f} days"
        parts.append(
            f"Forecast: {percent(forecast.chance)} within {forecast.horizon_days} days; as likely as not {middle}."
        )
    return " ".join(parts)
