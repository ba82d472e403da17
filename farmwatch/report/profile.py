"""One cut through the bed down its steepest line: how it stands, and how the moves are expected to leave it."""

from __future__ import annotations

import math

import numpy as np
from markupsafe import Markup

from farmwatch.measure import least_squares_plane
from farmwatch.mesh import Floats, Mesh
from farmwatch.report.svg import Drawing, path
from farmwatch.text import mm, signed

__all__ = ["bed_profile", "heights_along", "steepest_line"]

_WIDE, _HIGH = 330.0, 112.0
_LEFT, _RIGHT, _TOP, _FOOT = 42.0, 322.0, 12.0, 78.0
_SAMPLES = 41
# So that a flat bed looks flat: the upright axis never spans less.
_LEAST_SPAN_MM = 0.4
# Slope in mm a mm below which the plane has no direction to speak of.
_LEVEL = 1.5e-4

Line = tuple[tuple[float, float], tuple[float, float]]


def steepest_line(mesh: Mesh) -> Line:
    """From low to high through the mesh's middle, edge to edge: up the least-squares plane; on a level bed towards
    its highest point."""
    plane = least_squares_plane(*mesh.points())
    dx, dy = float(plane.bx), float(plane.by)
    x0, x1, y0, y1 = (float(v) for v in (mesh.x[0], mesh.x[-1], mesh.y[0], mesh.y[-1]))
    middle = ((x0 + x1) / 2, (y0 + y1) / 2)
    if math.hypot(dx, dy) < _LEVEL:
        r, c = divmod(int(np.nanargmax(mesh.z)), mesh.columns)
        dx, dy = float(mesh.x[c]) - middle[0], float(mesh.y[r]) - middle[1]
        if not math.hypot(dx, dy):
            dx = 1.0
    reach = min(
        ((x1 - x0) / 2) / abs(dx) if dx else math.inf, ((y1 - y0) / 2) / abs(dy) if dy else math.inf
    )  # fmt: skip
    return (middle[0] - reach * dx, middle[1] - reach * dy), (middle[0] + reach * dx, middle[1] + reach * dy)


def heights_along(mesh: Mesh, line: Line, samples: int = _SAMPLES) -> Floats:
    """Heights at `samples` places along the line, bilinear between the probed points; NaN beside a missing one."""
    (xa, ya), (xb, yb) = line
    share = np.linspace(0.0, 1.0, samples)
    x = np.clip(xa + share * (xb - xa), mesh.x[0], mesh.x[-1])
    y = np.clip(ya + share * (yb - ya), mesh.y[0], mesh.y[-1])
    c = np.clip(np.searchsorted(mesh.x, x, "right") - 1, 0, mesh.columns - 2)
    r = np.clip(np.searchsorted(mesh.y, y, "right") - 1, 0, mesh.rows - 2)
    a, b = (x - mesh.x[c]) / np.diff(mesh.x)[c], (y - mesh.y[r]) / np.diff(mesh.y)[r]
    z = mesh.z
    low = z[r, c] * (1 - a) + z[r, c + 1] * a
    high = z[r + 1, c] * (1 - a) + z[r + 1, c + 1] * a
    found: Floats = low * (1 - b) + high * b
    return found


def bed_profile(now: Mesh, after: Mesh | None, *, key: str, title: str) -> Markup:
    """Heights (mm above the reference screw, as both meshes give them) along the steepest line of `now`."""
    line = steepest_line(now)
    cuts = [heights_along(mesh, line) for mesh in (now, after) if mesh is not None]
    known = np.concatenate([cut[~np.isnan(cut)] for cut in cuts] or [np.zeros(1)])
    low, high = (float(known.min()), float(known.max())) if known.size else (0.0, 0.0)
    spare = max(0.0, _LEAST_SPAN_MM - (high - low)) / 2
    low, high = low - spare, high + spare
    length = math.dist(*line)
    drawing = Drawing(key, _WIDE, _HIGH, title=title, desc=_told(cuts[0]), kind="profile")

    def y(value: float) -> float:
        return _FOOT - (_FOOT - _TOP) * (value - low) / (high - low)

    step = next((s for s in (0.1, 0.2, 0.5, 1.0, 2.0, 5.0) if (high - low) / s <= 4), 10.0)
    for k in range(math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9) + 1):
        drawing.line(_LEFT, y(k * step), _RIGHT, y(k * step), "neat" if k == 0 else "grid")
        drawing.text(signed(k * step, 1), _LEFT - 5, y(k * step) + 3.5, cls="tick", text_anchor="end")
    for cls, cut in zip(("cut", "cut after"), cuts, strict=False):
        for piece in _pieces(cut):
            places = [(_LEFT + (_RIGHT - _LEFT) * i / (_SAMPLES - 1), y(value)) for i, value in piece]
            drawing.add("path", cls=cls, d=path(places))
    drawing.text(_place(now, line[0]), _LEFT, _FOOT + 15, cls="side")
    drawing.text(_place(now, line[1]), _RIGHT, _FOOT + 15, cls="side", text_anchor="end")
    words = f"mm, along {length:.0f} mm; solid: now" + ("; dashed: after" if after is not None else "")
    drawing.text(words, (_LEFT + _RIGHT) / 2, _FOOT + 30, cls="tick", text_anchor="middle")
    return drawing.done()


def _pieces(cut: Floats) -> list[list[tuple[int, float]]]:
    pieces: list[list[tuple[int, float]]] = [[]]
    for i, value in enumerate(cut):
        if np.isnan(value):
            pieces.append([])
        else:
            pieces[-1].append((i, float(value)))
    return [piece for piece in pieces if len(piece) > 1]


def _place(mesh: Mesh, point: tuple[float, float]) -> str:
    """Where on the bed an end lies: front left, rear, right, ..."""
    across = (point[0] - mesh.x[0]) / (mesh.x[-1] - mesh.x[0])
    along = (point[1] - mesh.y[0]) / (mesh.y[-1] - mesh.y[0])
    upright = "front" if along < 0.3 else "rear" if along > 0.7 else ""
    side = "left" if across < 0.3 else "right" if across > 0.7 else ""
    return f"{upright} {side}".strip() or "middle"


def _told(cut: Floats) -> str:
    known = cut[~np.isnan(cut)]
    return "" if not known.size else f"From {mm(float(known[0]), 2)} mm to {mm(float(known[-1]), 2)} mm."
