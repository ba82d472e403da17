"""Ranges on one millimetre scale with both limits: what was, what was expected, what was measured. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup

from farmwatch.report.shared import Drawing
from farmwatch.text import mm

__all__ = ["Row", "scale_drawing"]

WIDTH, LEFT, RIGHT, TOP, STEP = 340.0, 104.0, 56.0, 22.0, 30.0
ROOM = 1.12


@dataclass(frozen=True, slots=True)
class Row:
    """One range in mm; open where it was not measured."""

    name: str
    range_mm: float
    sd_mm: float | None = None
    open: bool = False


def scale_drawing(rows: Sequence[Row], usable_mm: float, ideal_mm: float) -> Markup:
    """A row a range, from zero on, with a bar of two sd about what was measured."""
    top = ROOM * max(usable_mm, *(row.range_mm for row in rows))
    height = TOP + STEP * len(rows) + 6

    def place(value: float) -> float:
        return LEFT + (WIDTH - LEFT - RIGHT) * min(value, top) / top

    said = "; ".join(f"{row.name} {mm(row.range_mm)} mm" for row in rows)
    drawing = Drawing("scale", WIDTH, height, title="Ranges on one scale", desc=said, kind="scale")
    # To either side of the two lines: close together, their words would meet.
    for limit, kind, words, anchor in (
        (usable_mm, "limit", "usable", "start"),
        (ideal_mm, "limit ideal", "ideal", "end"),
    ):
        drawing.line(place(limit), TOP - 6, place(limit), height - 4, kind)
        drawing.text(words, place(limit), TOP - 10, text_anchor=anchor, cls="tick")
    for number, row in enumerate(rows):
        y = TOP + STEP * (number + 0.5)
        drawing.text(row.name, LEFT - 8, y + 4, text_anchor="end")
        drawing.line(LEFT, y, place(row.range_mm), y, "step")
        if row.sd_mm is not None:
            low, high = place(max(0.0, row.range_mm - 2 * row.sd_mm)), place(row.range_mm + 2 * row.sd_mm)
            drawing.add("path", cls="probed", d=f"M{low:.1f} {y:.1f}H{high:.1f}")
        drawing.add("circle", cls="sign open" if row.open else "sign", cx=place(row.range_mm), cy=y, r=5.0)
        drawing.text(f"{mm(row.range_mm)}", WIDTH - RIGHT + 8, y + 4, cls="name")
    return drawing.done()
