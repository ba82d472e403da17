"""Drawings in characters: the bed as a map of contour lines, and a machine's range over time in two lines."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import pairwise
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from farmwatch.judge.assessment import Trace
from farmwatch.mesh import Floats, Mesh
from farmwatch.model import Limits, Screw
from farmwatch.text import day_of

__all__ = ["bed_map", "contour_step", "history_lines", "screw_letters"]

# A character is about twice as high as it is broad.
_CHARACTER_SHAPE = 0.5
_LEAST_ROWS, _MOST_ROWS = 9, 26
_MOST_LINES = 7
_LETTERS = "ABCDEFGH"
_LABEL = len("+0.12!")

Canvas = NDArray[np.str_]


def contour_step(range_mm: float) -> float:
    """A round distance in height between two lines, at most seven lines over the range, never under 0.02 mm."""
    for step in (0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0):
        if range_mm / step <= _MOST_LINES + 1e-9:
            return step
    return 5.0


def screw_letters(screws: Sequence[Screw]) -> dict[str, str]:
    """The letter that marks each screw on the map."""
    return {screw.name: _LETTERS[number] for number, screw in enumerate(screws)}


def bed_map(
    mesh: Mesh, *, screws: Sequence[Screw] = (), spikes: Sequence[tuple[int, int]] = (), columns: int = 80
) -> tuple[list[str], list[str]]:
    """The sheet as lines of at most `columns` characters (40 or more), and the sentences that explain it.

    A spike's height is marked with "!", a missing point with "?".

    `spikes` are row and column in the mesh, from the front left.
    """
    sheet = _BedChart.over(mesh, screws, min(columns, 100) - 2)
    canvas: Canvas = np.full((sheet.rows, sheet.columns), " ", dtype="<U1")
    step = contour_step(mesh.range_mm)
    _draw_lines(canvas, sheet, mesh, step)
    _draw_labels(canvas, sheet, mesh, screws, spikes)
    edge = "+" + "-" * sheet.columns + "+"
    body = ["|" + "".join(row) + "|" for row in canvas]
    return [_in_edge(edge, "rear"), *body, _in_edge(edge, "front")], _caption(mesh, step, spikes)


@dataclass(frozen=True, slots=True)
class _BedChart:
    """Where mm of the bed fall on the canvas; row 0 of the canvas is the rear."""

    x0: float
    x1: float
    y0: float
    y1: float
    rows: int
    columns: int

    @classmethod
    def over(cls, mesh: Mesh, screws: Sequence[Screw], columns: int) -> _BedChart:
        xs = [*mesh.x[[0, -1]], *(screw.x_mm for screw in screws)]
        ys = [*mesh.y[[0, -1]], *(screw.y_mm for screw in screws)]
        # A screw written down in another unit must not shrink the bed to a dot: it is put at the edge.
        reach_x, reach_y = np.ptp(mesh.x) / 2, np.ptp(mesh.y) / 2
        x0, x1 = max(min(xs), mesh.x[0] - reach_x), min(max(xs), mesh.x[-1] + reach_x)
        y0, y1 = max(min(ys), mesh.y[0] - reach_y), min(max(ys), mesh.y[-1] + reach_y)
        rows = round(columns * _CHARACTER_SHAPE * (y1 - y0) / (x1 - x0))
        return cls(float(x0), float(x1), float(y0), float(y1), min(max(rows, _LEAST_ROWS), _MOST_ROWS), columns)

    def column(self, x: float) -> int:
        """The canvas column of x, where a label of that place has its middle."""
        share = (x - self.x0) / (self.x1 - self.x0)
        return min(max(round(share * (self.columns - 1)), 0), self.columns - 1)

    def row(self, y: float) -> int:
        share = (self.y1 - y) / (self.y1 - self.y0)
        return min(max(round(share * (self.rows - 1)), 0), self.rows - 1)

    def grid(self) -> tuple[Floats, Floats]:
        """x of the columns and y of the rows, mm."""
        return np.linspace(self.x0, self.x1, self.columns), np.linspace(self.y1, self.y0, self.rows)


def _surface(mesh: Mesh, x: Floats, y: Floats) -> Floats:
    """Heights between the probed points, bilinear, `[y, x]`; NaN outside them and beside a missing one."""
    column = np.clip(np.searchsorted(mesh.x, x, "right") - 1, 0, mesh.columns - 2)
    row = np.clip(np.searchsorted(mesh.y, y, "right") - 1, 0, mesh.rows - 2)
    along = ((x - mesh.x[column]) / np.diff(mesh.x)[column])[None, :]
    across = ((y - mesh.y[row]) / np.diff(mesh.y)[row])[:, None]
    low, high, left, right = row[:, None], row[:, None] + 1, column[None, :], column[None, :] + 1
    heights: Floats = (
        mesh.z[low, left] * (1 - along) * (1 - across)
        + mesh.z[low, right] * along * (1 - across)
        + mesh.z[high, left] * (1 - along) * across
        + mesh.z[high, right] * along * across
    )
    slack = 1e-9
    heights[:, (x < mesh.x[0] - slack) | (x > mesh.x[-1] + slack)] = np.nan
    heights[(y < mesh.y[0] - slack) | (y > mesh.y[-1] + slack), :] = np.nan
    return heights


def _draw_lines(canvas: Canvas, sheet: _BedChart, mesh: Mesh, step: float) -> None:
    """A line stands where the band of height changes to the next character; its sign follows the slope there."""
    x, y = sheet.grid()
    heights = _surface(mesh, x, y)
    # A bed that lies exactly on a line must not flicker across it.
    band = np.floor(heights / step + 1e-9)
    with np.errstate(invalid="ignore"):
        to_right = np.zeros(band.shape, dtype=bool)
        to_right[:, :-1] = np.abs(np.diff(band, axis=1)) > 0
        to_front = np.zeros(band.shape, dtype=bool)
        to_front[:-1, :] = np.abs(np.diff(band, axis=0)) > 0
        slope_x = np.gradient(heights, x, axis=1)
        slope_y = np.gradient(heights, y, axis=0)
        steep, level = np.abs(slope_x) > 2.4 * np.abs(slope_y), np.abs(slope_y) > 2.4 * np.abs(slope_x)
        sign = np.where(slope_x * slope_y > 0, "\\", "/")
    sign = np.where(steep, "|", np.where(level, "-", sign))
    # Where it runs level one row is enough, where it runs upright one column.
    here = (to_right & ~level) | (to_front & ~steep)
    canvas[here] = sign[here]


def _draw_labels(
    canvas: Canvas, sheet: _BedChart, mesh: Mesh, screws: Sequence[Screw], spikes: Sequence[tuple[int, int]]
) -> None:
    """Screws first, then spikes, then as many heights as find room; nothing is written over in part."""
    taken = np.zeros(canvas.shape, dtype=bool)
    for screw in screws:
        letter = screw_letters(screws)[screw.name]
        mark = f"({letter})" if screw.reference else f"[{letter}]"
        _write(canvas, taken, sheet.row(screw.y_mm), sheet.column(screw.x_mm), mark)
    columns = _apart([sheet.column(x) for x in mesh.x], _LABEL + 1)
    rows = _apart([sheet.row(y) for y in mesh.y], 2)
    sanitize = [(row, column) for row in rows for column in columns if (row, column) not in set(spikes)]
    for row, column in [*spikes, *sanitize]:
        text = "?" if np.isnan(mesh.z[row, column]) else f"{round(mesh.z[row, column], 2) + 0.0:+.2f}"
        text += "!" if (row, column) in spikes else ""
        _write(canvas, taken, sheet.row(mesh.y[row]), sheet.column(mesh.x[column]), text)


def _apart(places: Sequence[int], least: int) -> list[int]:
    """Indices of as many evenly chosen places as stand at least `least` apart, both ends among them where they can."""
    last = len(places) - 1
    for stride in range(1, last + 1):
        chosen = list(range(0, last + 1, stride))
        gaps = [abs(places[b] - places[a]) for a, b in pairwise(chosen)]
        if min(gaps, default=least) >= least:
            return chosen
    return [0]


def _write(canvas: Canvas, taken: NDArray[np.bool_], row: int, middle: int, text: str) -> None:
    """Write with a blank either side, unless something stands there already."""
    start = min(max(middle - len(text) // 2, 0), canvas.shape[1] - len(text))
    end = start + len(text)
    around = slice(max(start - 1, 0), end + 1)
    if taken[row, around].any():
        return
    canvas[row, around] = " "
    canvas[row, start:end] = list(text)
    taken[row, start:end] = True


def _in_edge(edge: str, word: str) -> str:
    start = (len(edge) - len(word) - 2) // 2
    return f"{edge[:start]} {word} {edge[start + len(word) + 2 :]}"


def _caption(mesh: Mesh, step: float, spikes: Sequence[tuple[int, int]]) -> list[str]:
    high = np.unravel_index(int(np.nanargmax(mesh.z)), mesh.z.shape)
    low = np.unravel_index(int(np.nanargmin(mesh.z)), mesh.z.shape)
    lines = [f"Heights in mm, bed up positive; a line every {step:g} mm. Front at the bottom."]
    ends = []
    for word, (row, column) in (("highest", high), ("lowest", low)):
        ends.append(f"{word} {round(mesh.z[row, column], 3) + 0.0:+.3f} at x {mesh.x[column]:.4g}, y {mesh.y[row]:.4g}")
    lines.append("; ".join(ends))
    if spikes:
        lines.append("! a height that its neighbours contradict")
    if np.isnan(mesh.z).any():
        lines.append("? a point that was not probed")
    return lines


_TENTHS = "0123456789"
# The scale of every history: the one on which the report begins, too.
_LEAST_MM, _MOST_MM = 0.02, 2.0
_MOST_MARKS = 64


def history_lines(trace: Trace, limits: Limits, zone: ZoneInfo, columns: int) -> tuple[list[str], str]:
    """The largest range of each span of time, in marks of equal length; a span without a reading stays blank.

    The upper line tells how much on a scale that is the same for every machine, the lower one the side of the limits.
    The words after them say what the marks mean.
    """
    marks = max(2, min(_MOST_MARKS, columns - 8, len(trace.at)))
    first, last = trace.at[0], trace.at[-1]
    span = max(last - first, 1.0) / marks
    worst: list[float | None] = [None] * marks
    for at, height in zip(trace.at, trace.range_mm, strict=True):
        place = min(int((at - first) / span), marks - 1)
        worst[place] = height if worst[place] is None else max(worst[place] or 0.0, height)
    levels = "".join(" " if h is None else _level(h) for h in worst)
    sides = "".join(" " if h is None else "." if h <= limits.ideal_mm else "-" if h <= limits.usable_mm else "#"
                    for h in worst)  # fmt: skip
    start, end = (day_of(datetime.fromtimestamp(moment, UTC), zone) for moment in (first, last))
    words = (
        f"{start} to {end}, {_length(span)} a mark; 0 to 9: {_LEAST_MM:g} to {_MOST_MM:g} mm, log, on every machine; "
        ". ideal, - usable, # past the limit"
    )
    return [f"range   {levels}", f"limits  {sides}"], words


def _level(height: float) -> str:
    """0 at the least range that is told apart, 9 from the largest on, in equal factors between."""
    share = math.log(max(height, _LEAST_MM) / _LEAST_MM) / math.log(_MOST_MM / _LEAST_MM)
    return _TENTHS[min(math.floor(10 * share), 9)]


def _length(seconds: float) -> str:
    days = seconds / 86400
    return f"{days:.1f} days" if days >= 1 else f"{seconds / 3600:.1f} hours"
