"""Heights at the Z screws, and what raising one screw does to every point of the bed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from farmwatch.measure.plane import Plane
from farmwatch.mesh import Floats

__all__ = ["ScrewHeights", "influence", "line_of_two", "screw_heights"]

LEAST_SCREWS = 2


@dataclass(frozen=True, slots=True, eq=False)
class ScrewHeights:
    """Where the bed's plane stands at each screw, mm; arrays `[n, k]`, or `[k]` for one reading."""

    height: Floats
    """p, the plane at each screw."""
    relative: Floats
    """u = p − p of the reference screw (zero there)."""
    covariance: Floats
    """Covariance of u, `[n, k, k]` (zero rows at the reference screw)."""
    not_adjustable: Floats
    """Tilt across the line of two screws, mm/mm, which no screw can take away; zero with three screws or more."""

    @property
    def sd(self) -> Floats:
        """Standard deviation of u, `[n, k]`."""
        deviation: Floats = np.sqrt(np.maximum(np.diagonal(self.covariance, axis1=-2, axis2=-1), 0.0))
        return deviation


def line_of_two(screws_xy: ArrayLike) -> Floats | None:
    """Direction (dx, dy) of unit length from the first screw to the second where there are two, else None."""
    screws = _checked(screws_xy)
    if len(screws) != 2:
        return None
    way: Floats = screws[1] - screws[0]
    unit: Floats = way / np.hypot(*way)
    return unit


def screw_heights(
    plane: Plane, screws_xy: ArrayLike, reference_index: int, sigma: ArrayLike | None = None
) -> ScrewHeights:
    """Heights at screws_xy `[k, 2]` (mm) on a plane of one reading or a stack, relative to the reference screw.

    Three screws that are not in a line and one plane say the same thing; with two only the tilt along their line
    is theirs; four or more are read off the one rigid bed. The covariance follows the plane's (GUM, JCGM 100:2008,
    5.2.2), for `sigma` (mm, per reading or one for all), the standard deviation of a point, or the residuals' own
    where that is None: it then counts form as noise. Raises ValueError where the screws cannot hold a bed.
    """
    screws = _checked(screws_xy, reference_index)
    dx, dy = (screws - screws[reference_index]).T
    height = plane.at(screws[:, 0], screws[:, 1])
    bx, by = np.asarray(plane.bx)[..., None], np.asarray(plane.by)[..., None]
    change = np.column_stack([np.zeros(len(screws)), dx, dy])
    covariance = plane.covariance if sigma is None else plane.covariance_for(sigma)
    across = np.zeros(np.shape(plane.bx))
    if len(screws) == 2:
        way = (screws[1] - screws[0]) / np.hypot(*(screws[1] - screws[0]))
        across = np.asarray(-plane.bx * way[1] + plane.by * way[0])
    return ScrewHeights(
        height=height,
        relative=bx * dx + by * dy,
        covariance=change @ covariance @ change.T,
        not_adjustable=across,
    )


def influence(screws_xy: ArrayLike, reference_index: int, x: ArrayLike, y: ArrayLike) -> Floats:
    """L `[k, points]`: raising screw i by d adds d·L[i] to the height at each x, y `[points]`, mm per mm.

    Two screws: linear along their line. Three: barycentric, 1 at screw i and 0 at the others. Four or more: the rigid
    bed that fits the screws best (least squares), row i of its hat; what a move bends the bed by is not in it.
    The rows add up to 1 everywhere. Raises ValueError where the screws cannot hold a bed.
    """
    screws = _checked(screws_xy, reference_index)
    points = np.column_stack([np.ravel(np.asarray(x, dtype=np.float64)), np.ravel(np.asarray(y, dtype=np.float64))])
    centre = screws.mean(axis=0)
    held, asked = screws - centre, points - centre
    if len(screws) == 2:
        way = (screws[1] - screws[0]) / np.hypot(*(screws[1] - screws[0]))
        held, asked = (held @ way)[:, None], (asked @ way)[:, None]
    size = float(np.abs(held).max())
    rigid = np.linalg.pinv(np.column_stack([np.ones(len(held)), held / size]))
    shares: Floats = (np.column_stack([np.ones(len(asked)), asked / size]) @ rigid).T
    return shares


def _checked(screws_xy: ArrayLike, reference_index: int = 0) -> Floats:
    screws = np.asarray(screws_xy, dtype=np.float64)
    if screws.ndim != 2 or screws.shape[1] != 2 or len(screws) < LEAST_SCREWS or not np.isfinite(screws).all():
        raise ValueError(f"a bed is held by two screws or more, each with x and y; got shape {screws.shape}")
    if not 0 <= reference_index < len(screws):
        raise ValueError(f"reference screw {reference_index} is not one of {len(screws)}")
    spread = np.linalg.svd(screws - screws.mean(axis=0), compute_uv=False)
    if spread[0] == 0 or (len(screws) > 2 and spread[1] <= 1e-6 * spread[0]):
        raise ValueError("the screws stand in one line or on one spot; that holds no plane")
    return screws
