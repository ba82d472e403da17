"""The contour sheet of a bed: ink lines of equal height, tints of one hue, the screws where they stand.

Seen as the operator faces the machine: x to the right, the front below. Heights are mm above the bed's plane at the
reference screw, on one ladder of tints for every sheet (a step each 0.1 mm), so that sheets can be compared.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup

from farmwatch.mesh import Floats, Mesh
from farmwatch.model import Model
from farmwatch.report.beds import from_reference, lowest_and_highest, without
from farmwatch.report.isolines import along, area_path, generator, length_of, line_path
from farmwatch.report.labels import Box, LabelPlacer
from farmwatch.report.svg import Drawing, number, path
from farmwatch.text import mm, sanitize, signed, spaced

__all__ = ["contour_interval", "contour_sheet", "screw_numbers"]

_LONGEST_SIDE = 300.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 34.0, 14.0, 18.0, 46.0
_SMALL = 2.0
_LETTER = 11.0
_MOST_LINES = 10
_DOTS_UP_TO = 15
_EVERY_FIFTH = 5
# The ladder of tints: ten steps of 0.1 mm round the reference screw's height.
_TINT_STEP, _TINTS = 0.1, 5
_WAYS = {"up": 1, "down": -1}


def contour_interval(range_mm: float) -> float:
    """Height between neighbouring lines, mm: the least of 1, 2, 5 x 10^k that draws at most ten lines."""
    if range_mm <= 0.0:
        return 1.0
    least = range_mm / _MOST_LINES
    power = 10.0 ** math.floor(math.log10(least))
    return next(step * power for step in (1.0, 2.0, 5.0, 10.0) if step * power >= least * (1.0 - 1e-9))


def contour_sheet(
    mesh: Mesh,
    model: Model,
    *,
    key: str,
    title: str,
    turns: Mapping[str, str] | None = None,
    spikes: tuple[tuple[float, float], ...] = (),
    small: bool = False,
    sd_mm: float | None = None,
) -> Markup:
    """Draw a mesh with its model's screws; `turns` adds words to a screw's label, `spikes` are places (x, y) in mm.

    A spike is left blank, with a cross: the bed is drawn as it is without it.

    small: for a drawing beside another one: no words but those of its description. sd_mm: standard deviation of the
    range: lines closer than four of it would draw the noise, and are left out.
    """
    frame = _frame(mesh, model)
    sheet = _Sheet(from_reference(without(mesh, spikes), model), frame, key, title, sd_mm or 0.0, small=small)
    sheet.tints()
    if small:
        sheet.lines()
        sheet.outline()
        return sheet.drawing.done()
    sheet.grid(model.bed)
    sheet.lines()
    for x, y in spikes:
        sheet.spike(x, y)
    sheet.screws(model, turns or {})
    sheet.extremes()
    sheet.heights()
    sheet.ladder()
    return sheet.drawing.done()


@dataclass(frozen=True, slots=True)
class _Frame:
    """The part of the bed that is drawn, mm."""

    x0: float
    y0: float
    x1: float
    y1: float

    @property
    def scale(self) -> float:
        return _LONGEST_SIDE / max(self.x1 - self.x0, self.y1 - self.y0)


def _frame(mesh: Mesh, model: Model) -> _Frame:
    """Everything that must be seen: mesh, screws, bed, and a little air around a screw at the edge."""
    xs = [float(mesh.x[0]), float(mesh.x[-1]), *(screw.x_mm for screw in model.screws)]
    ys = [float(mesh.y[0]), float(mesh.y[-1]), *(screw.y_mm for screw in model.screws)]
    if model.bed is not None:
        xs += [model.bed[0], model.bed[2]]
        ys += [model.bed[1], model.bed[3]]
    air = 0.03 * max(max(xs) - min(xs), max(ys) - min(ys))
    return _Frame(min(xs) - air, min(ys) - air, max(xs) + air, max(ys) + air)


class _Sheet:
    def __init__(self, mesh: Mesh, frame: _Frame, key: str, title: str, sd_mm: float, *, small: bool) -> None:
        self.mesh, self.frame = mesh, frame
        wide, high = (frame.x1 - frame.x0) * frame.scale, (frame.y1 - frame.y0) * frame.scale
        left, right, top, bottom = (_SMALL,) * 4 if small else (_LEFT, _RIGHT, _TOP, _BOTTOM)
        self.interval = contour_interval(max(mesh.range_mm, 4 * sd_mm * _MOST_LINES))
        self.digits = max(0, -math.floor(math.log10(self.interval) + 1e-9))
        self.drawing = Drawing(
            key, left + wide + right, top + high + bottom, title=title, desc=self._told(), kind="sheet"
        )
        self.inside = Box(left, top, left + wide, top + high)
        self.placer = LabelPlacer(self.inside, letter=_LETTER)
        low, high_z = float(np.nanmin(mesh.z)), float(np.nanmax(mesh.z))
        first, last = math.ceil(low / self.interval), math.floor(high_z / self.interval)
        # A line exactly at the lowest or the highest point would be that point alone.
        self.levels = [k for k in range(first, last + 1) if low < k * self.interval < high_z]
        if mesh.range_mm < 4 * sd_mm:
            self.levels = []
        self._contours = generator(mesh)
        self._labels: list[tuple[int, Floats]] = []

    def _told(self) -> str:
        (low_x, low_y, low), (high_x, high_y, high) = lowest_and_highest(self.mesh)
        return (
            f"Contour lines every {mm(self.interval, self.digits)} mm above the reference screw, the front of the "
            "machine below. "
            f"Highest point {mm(high)} mm at x {high_x:.0f}, y {high_y:.0f}; "
            f"lowest {mm(low)} mm at x {low_x:.0f}, y {low_y:.0f}."
        )

    def at(self, x: float, y: float) -> tuple[float, float]:
        return (
            self.inside.x0 + (x - self.frame.x0) * self.frame.scale,
            self.inside.y1 - (y - self.frame.y0) * self.frame.scale,
        )

    def tints(self) -> None:
        """One hue, stronger where the bed is higher, by the ladder of all sheets."""
        low, high = float(np.nanmin(self.mesh.z)), float(np.nanmax(self.mesh.z))
        first, last = (min(max(math.floor(z / _TINT_STEP), -_TINTS), _TINTS - 1) for z in (low, high))
        for k in range(first, last + 1):
            # The outermost tints hold whatever lies beyond the ladder.
            start = k * _TINT_STEP if k > first else low - 1.0
            end = (k + 1) * _TINT_STEP if k < last else high + 1.0
            outlines = area_path(self._contours.filled(start, end), self.at)
            if outlines:
                self.drawing.add("path", cls="tint", d=outlines, fill_rule="evenodd", fill_opacity=_strength(k))

    def grid(self, bed: tuple[float, float, float, float] | None) -> None:
        """Neat line, millimetres along two edges, bed outline, probed points."""
        box = self.inside
        if bed is not None:
            (left, bottom), (right, top) = self.at(bed[0], bed[1]), self.at(bed[2], bed[3])
            corners = [(left, bottom), (right, bottom), (right, top), (left, top)]
            self.drawing.add("path", cls="bed", d=path(corners, closed=True))
        self._probed()
        self.outline()
        step = next(s for s in (10, 20, 50, 100, 200, 500, 1000, 10**9) if (self.frame.x1 - self.frame.x0) / s <= 6)
        for x in range(math.ceil(self.frame.x0 / step) * step, math.floor(self.frame.x1) + 1, step):
            place = self.at(x, self.frame.y0)[0]
            self.drawing.line(place, box.y1, place, box.y1 + 4, "neat")
            self.drawing.text(str(x), place, box.y1 + 14, cls="tick", text_anchor="middle")
        for y in range(math.ceil(self.frame.y0 / step) * step, math.floor(self.frame.y1) + 1, step):
            place = self.at(self.frame.x0, y)[1]
            self.drawing.line(box.x0 - 4, place, box.x0, place, "neat")
            self.drawing.text(str(y), box.x0 - 6, place + 4, cls="tick", text_anchor="end")
        middle = (box.x0 + box.x1) / 2
        self.drawing.text("rear", middle, box.y0 - 5, cls="side", text_anchor="middle")
        self.drawing.text("front (mm)", middle, box.y1 + 32, cls="side", text_anchor="middle")
        words = f"lines every {mm(self.interval, self.digits)} mm" if self.levels else "flat within noise"
        self.drawing.text(words, box.x1, box.y1 + 32, cls="side", text_anchor="end")

    def ladder(self) -> None:
        """The key of the tints, the same on every sheet: 0.1 mm each, above and below the reference screw."""
        left, top, wide = self.inside.x0, self.inside.y1 + 23, 10.0
        for k in range(-_TINTS, _TINTS):
            self.drawing.add("rect", cls="tint", x=left + wide * (k + _TINTS), y=top, width=wide, height=9.0,
                             fill_opacity=_strength(k))  # fmt: skip
        self.drawing.add("rect", cls="plot", x=left, y=top, width=2 * _TINTS * wide, height=9.0)
        for k in (-_TINTS + 1, 0, _TINTS - 1):
            words = signed(k * _TINT_STEP, 1)
            self.drawing.text(words, left + wide * (k + _TINTS), top + 20, cls="tick", text_anchor="middle")

    def outline(self) -> None:
        """The neat line alone."""
        box = self.inside
        self.drawing.add("rect", cls="neat", x=box.x0, y=box.y0, width=box.x1 - box.x0, height=box.y1 - box.y0)

    def _probed(self) -> None:
        mesh = self.mesh
        missing = np.isnan(mesh.z)
        marks = []
        for r, c in np.argwhere(missing):
            x, y = self.at(float(mesh.x[c]), float(mesh.y[r]))
            marks.append(f"M{number(x - 3)} {number(y - 3)}l6 6m0 -6l-6 6")
        if marks:
            self.drawing.add("path", cls="missing", d="".join(marks))
        if max(mesh.rows, mesh.columns) > _DOTS_UP_TO:
            return
        dots = [
            self.at(float(mesh.x[c]), float(mesh.y[r]))
            for r in range(mesh.rows)
            for c in range(mesh.columns)
            if not missing[r, c]
        ]
        self.drawing.add("path", cls="probed", d="".join(f"M{number(x)} {number(y)}h0" for x, y in dots))

    def lines(self) -> None:
        """A line per level, every fifth one heavier, as on a survey sheet."""
        for k in self.levels:
            pieces = [np.array([self.at(x, y) for x, y in piece]) for piece in self._contours.lines(k * self.interval)]
            drawn = "".join(line_path(piece) for piece in pieces)
            if drawn:
                self.drawing.add("path", cls="index" if k % _EVERY_FIFTH == 0 else "contour", d=drawn)
            self._labels += [(k, piece) for piece in sorted(pieces, key=length_of, reverse=True)[:1]]

    def heights(self) -> None:
        """Each line's height, written along it where nothing else stands."""
        for k, piece in self._labels:
            if length_of(piece) < 3 * _LETTER:
                continue
            words = mm(k * self.interval, self.digits)
            for share in (0.5, 0.35, 0.65, 0.2, 0.8):
                (x, y), angle = along(piece, share, 1.2 * _LETTER)
                if self.placer.take_turned(x, y, words, angle):
                    turn = f"rotate({number(angle)} {number(x)} {number(y)})"
                    self._behind(words, x - 0.24 * _LETTER * len(words), y + 3.5, transform=turn)
                    self.drawing.text(words, x, y + 3.5, cls="height", text_anchor="middle", transform=turn)
                    break

    def spike(self, x: float, y: float) -> None:
        """A point that its neighbours contradict: the cross of a missing point, in a ring."""
        px, py = self.at(x, y)
        self.drawing.add("circle", cls="spike", cx=px, cy=py, r=6.0)
        self.placer.reserve(px, py, 7.0)
        self._label("false reading", px, py, "point")

    def screws(self, model: Model, turns: Mapping[str, str]) -> None:
        """Screws are rings with their number, as the moves name them; the reference is a filled square in a ring."""
        places = [self.at(screw.x_mm, screw.y_mm) for screw in model.screws]
        for x, y in places:
            self.placer.reserve(x, y, 8.0)
        numbers = screw_numbers(model)
        for screw, (x, y) in zip(model.screws, places, strict=True):
            self.drawing.add("circle", cls="screw", cx=x, cy=y, r=7.0)
            if screw.reference:
                self.drawing.add("rect", cls="fixed", x=x - 3, y=y - 3, width=6.0, height=6.0)
            else:
                self.drawing.text(str(numbers[screw.name]), x, y + 3.6, cls="in-screw", text_anchor="middle")
        for screw, (x, y) in zip(model.screws, places, strict=True):
            way, _, amount = turns.get(screw.name, "").partition(" ")
            more = "reference" if screw.reference else amount
            name = _short(spaced(screw.name))
            self._label(f"{name}: {more}" if more else name, x, y, "screw-name", way if more else "")

    def extremes(self) -> None:
        """The highest and the lowest point, whose difference is the range."""
        low, high = lowest_and_highest(self.mesh)
        for word, (x, y, z), rise in (("highest", high, -4.5), ("lowest", low, 4.5)):
            px, py = self.at(x, y)
            self.drawing.add("path", cls="extreme", d=path([(px - 5, py - rise), (px, py + rise), (px + 5, py - rise)]))
            self.placer.reserve(px, py, 5.0)
            self._label(f"{word} {mm(z)}", px, py, "point")

    def _label(self, words: str, x: float, y: float, cls: str, way: str = "") -> None:
        """Words beside a place; way: up or down, as an arrow before them."""
        left, baseline = self.placer.beside(x, y, f"{words}__" if way in _WAYS else words)
        if way in _WAYS:
            tip, tail = (baseline - 9, baseline + 1)[:: _WAYS[way]]
            barb = 4.0 * _WAYS[way]
            arrow = path([(left + 5, tail), (left + 5, tip)])
            head = path([(left + 1, tip + barb), (left + 5, tip), (left + 9, tip + barb)])
            for cls_of in ("arrow halo", "arrow"):
                self.drawing.add("path", cls=cls_of, d=arrow + head)
            left += 13
        self._behind(words, left, baseline)
        self.drawing.text(words, left, baseline, cls=cls)

    def _behind(self, words: str, left: float, baseline: float, **turned: str) -> None:
        """A slip of paper under words, for print: the halo of the screen would write them twice into a PDF."""
        wide = 0.48 * _LETTER * len(words)
        self.drawing.add("rect", cls="behind", x=left - 1, y=baseline - 9.5, width=wide + 2, height=12.0, **turned)


def _strength(k: int) -> str:
    return f"{0.04 + 0.46 * (k + _TINTS) / (2 * _TINTS - 1):.2f}"


def screw_numbers(model: Model) -> dict[str, int]:
    """Numbers of the screws that may be turned, from 1, in the model's order."""
    movable = [screw.name for screw in model.screws if not screw.reference]
    return {name: i for i, name in enumerate(movable, 1)}


def _short(name: str, most: int = 22) -> str:
    name = sanitize(name)
    return name if len(name) <= most else name[: most - 1] + "…"
