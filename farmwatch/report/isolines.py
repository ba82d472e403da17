"""Lines and areas of equal height on a mesh, as paths of a drawing, and where a line's label lies along it."""

from __future__ import annotations

import math
from collections.abc import Callable
from itertools import pairwise
from typing import Any

import numpy as np
from contourpy import contour_generator
from numpy.typing import NDArray

from farmwatch.mesh import Floats, Mesh
from farmwatch.report.svg import path

__all__ = ["Project", "along", "area_path", "generator", "length_of", "line_path"]

# A finer grid than this says nothing more at the size of a palm and would weigh on the file.
_MOST_DRAWN = 45

Project = Callable[[float, float], tuple[float, float]]
"""From mm on the bed to units of the drawing."""


def generator(mesh: Mesh) -> Any:
    """What draws the mesh's lines and areas."""
    rows, columns = _thinned(mesh.rows), _thinned(mesh.columns)
    heights = np.ma.masked_invalid(mesh.z[np.ix_(rows, columns)])
    return contour_generator(
        x=mesh.x[columns], y=mesh.y[rows], z=heights, line_type="Separate", fill_type="OuterOffset", name="serial"
    )


def _thinned(size: int) -> NDArray[np.intp]:
    return np.unique(np.linspace(0, size - 1, min(size, _MOST_DRAWN)).round().astype(np.intp))


def area_path(filled: tuple[list[Floats], list[Floats]], at: Project) -> str:
    """The outlines of an area with its holes."""
    parts = []
    for points, offsets in zip(*filled, strict=True):
        for start, end in pairwise(offsets):
            parts.append(path([at(x, y) for x, y in points[int(start) : int(end) - 1]], closed=True))
    return "".join(parts)


def line_path(piece: Floats) -> str:
    """One line, closed where it ends where it begins."""
    closed = len(piece) > 2 and bool(np.allclose(piece[0], piece[-1]))
    return path(piece[:-1] if closed else piece, closed=closed)


def length_of(piece: Floats) -> float:
    """The length of a line."""
    return float(np.hypot(*np.diff(piece, axis=0).T).sum())


def along(piece: Floats, share: float, reach: float) -> tuple[tuple[float, float], float]:
    """The place at a share of a line's length, and its slope over `reach` on both sides, degrees, never upside down."""
    steps = np.hypot(*np.diff(piece, axis=0).T)
    run = np.concatenate([[0.0], np.cumsum(steps)])
    goal = share * run[-1]
    x, y = (float(np.interp(goal, run, piece[:, axis])) for axis in (0, 1))
    ahead = [np.interp([goal - reach, goal + reach], run, piece[:, axis]) for axis in (0, 1)]
    angle = math.degrees(math.atan2(float(ahead[1][1] - ahead[1][0]), float(ahead[0][1] - ahead[0][0])))
    return (x, y), angle - 180.0 if angle > 90.0 else angle + 180.0 if angle <= -90.0 else angle
