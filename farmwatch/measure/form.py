"""Form: what is left of a mesh when its plane is taken away; how large it is, and what shape."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray

from farmwatch.measure.minimum_zone import minimum_zone_plane
from farmwatch.measure.plane import least_squares_plane
from farmwatch.measure.points import as_stack, masks
from farmwatch.mesh import Floats, Mesh

__all__ = ["Flatness", "Shape", "ShapeName", "flatness", "shape_of_form", "spread"]

ShapeName = Literal["bowl", "dome", "saddle", "twist", "crest", "trough", "irregular"]
"""bowl: the edges stand higher than the middle; dome: lower. saddle: up along one axis, down along the other;
twist: the same along the diagonals. crest: bent one way only, the middle line high; trough: the middle line low.
irregular: none of these."""

_NAMES = np.array(get_args(ShapeName), dtype=object)
# Our choices, no source: a name wants half of the form's squares; a bend under a quarter of the greater is none.
_TELLS = 0.5
_ONE_WAY = 0.25
_ROUNDING = 1e-13


@dataclass(frozen=True, slots=True, eq=False)
class Flatness:
    """Flatness deviations (ISO 12781-1), mm; `[n]`, or single numbers for one reading."""

    ls: Floats
    """FLTt from the least-squares plane: peak to valley of the form."""
    mz: Floats
    """FLTt from the minimum-zone plane: the least that any tilt can leave."""
    rms: Floats
    """FLTq from the least-squares plane: √mean e²."""


@dataclass(frozen=True, slots=True, eq=False)
class Shape:
    """What a form looks like; `[n]`, or single values for one reading."""

    name: NDArray[np.object_]
    shares: Floats
    """Share of Σe² that x², xy and y² each explain, `[n, 3]`; zero where there is no form."""
    bend: Floats
    """Their amplitudes `[n, 3]`, mm: heights added at the edge of the bed by each, on coordinates from −1 to 1."""


def flatness(x: ArrayLike | Mesh, y: ArrayLike | None = None, z: ArrayLike | None = None) -> Flatness:
    """Flatness deviations of a Mesh, or of heights over points, one reading or a stack.

    x, y, z: equal-length 1-D arrays; or x, y `[points]` with z `[n, points]`; or axes x `[c]`, y `[r]` with z
    `[n, r, c]`. Heights may be NaN. Raises ValueError where the shapes do not fit.
    """
    if isinstance(x, Mesh):
        x, y, z = x.points()
    if y is None or z is None:
        raise ValueError("flatness wants a Mesh, or x, y and z")
    stack = as_stack(x, y, z)
    e = least_squares_plane(stack.x, stack.y, stack.z).residuals
    zone = minimum_zone_plane(stack.x, stack.y, stack.z)
    return Flatness(ls=stack.each(spread(e)), mz=stack.each(zone.width), rms=stack.each(root_mean_square(e)))


def spread(heights: Floats) -> Floats:
    """Highest minus lowest of heights `[n, points]` present; NaN where there are none."""
    high = np.fmax.reduce(heights, axis=1)
    low = np.fmin.reduce(heights, axis=1)
    return np.asarray(high - low)


def root_mean_square(heights: Floats) -> Floats:
    """√mean of squares of heights `[n, points]` present; NaN where there are none."""
    count = np.isfinite(heights).sum(axis=1)
    filled = np.nan_to_num(heights)
    squares = np.einsum("np,np->n", filled, filled)
    rms: Floats = np.sqrt(squares / np.where(count > 0, count, np.nan))
    return rms


def shape_of_form(x: ArrayLike, y: ArrayLike, z: ArrayLike) -> Shape:
    """Name the form of heights z (shapes as in `flatness`) by the discrete orthogonal quadratics of its points.

    x², xy and y² are taken on the bed's own coordinates from −1 to 1 along each axis, freed of the plane over the
    points present, and made orthogonal symmetrically (Löwdin 1950): on a full grid they are the products of discrete
    orthogonal polynomials (Gram), and where points are missing no one of the three is served first.
    """
    stack = as_stack(x, y, z)
    here, group = masks(stack.z)
    u, v = _unit(stack.x), _unit(stack.y)
    quadratics, root, enough = _orthogonal_quadratics(u, v, here)
    form = np.nan_to_num(least_squares_plane(stack.x, stack.y, stack.z).residuals)
    product = form @ quadratics[0] if len(here) == 1 else np.einsum("np,npk->nk", form, quadratics[group])
    total = np.einsum("np,np->n", form, form)
    in_order = np.einsum("nk,nkj->nj", product, root[group])
    # A form that is only the rounding of a plane has no shape.
    size = np.abs(np.nan_to_num(stack.z)).max(axis=1, initial=0.0)
    some = (total > form.shape[1] * (_ROUNDING * size) ** 2) & enough[group]
    shares = np.where(some[:, None], in_order**2, 0.0) / np.where(some, total, 1.0)[:, None]
    bend = np.where(some[:, None], np.einsum("nj,nkj->nk", in_order, root[group]), 0.0)
    name = _name(bend, shares)
    return Shape(name=name[0] if stack.one else name, shares=stack.each(shares), bend=stack.each(bend))


def _orthogonal_quadratics(u: Floats, v: Floats, here: NDArray[np.bool_]) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Quadratics freed of the plane `[g, points, 3]`, the inverse root of their Gram matrix, and whether it exists."""
    plain = np.stack([u * u, u * v, v * v])
    filled = np.where(here[:, None, :], plain, np.nan).reshape(-1, u.size)
    free = np.nan_to_num(least_squares_plane(u, v, filled).residuals).reshape(len(here), 3, u.size)
    gram = free @ free.swapaxes(1, 2)
    size, axes = np.linalg.eigh(gram)
    enough = size[:, 0] > 1e-9 * np.maximum(size[:, -1], 1e-300)
    size = np.where(enough[:, None], size, 1.0)
    root = (axes / np.sqrt(size)[:, None, :]) @ axes.swapaxes(1, 2)
    return free.swapaxes(1, 2), root, enough


def _name(bend: Floats, shares: Floats) -> NDArray[np.object_]:
    xx, xy, yy = bend.T
    # Principal bends: eigenvalues of [[xx, xy/2], [xy/2, yy]].
    middle, half = (xx + yy) / 2, np.hypot((xx - yy) / 2, xy / 2)
    greater = np.where(middle >= 0, middle + half, middle - half)
    lesser = np.where(middle >= 0, middle - half, middle + half)
    one_way = np.abs(lesser) < _ONE_WAY * np.abs(greater)
    same = lesser * greater > 0
    diagonal = shares[:, 1] > shares[:, 0] + shares[:, 2]
    bowl, dome, saddle, twist_, crest, trough, irregular = range(len(_NAMES))
    which = np.select(
        [shares.sum(axis=1) < _TELLS, one_way & (middle < 0), one_way, same & (middle > 0), same, diagonal],
        [irregular, crest, trough, bowl, dome, twist_],
        default=saddle,
    )
    names: NDArray[np.object_] = _NAMES[which]
    return names


def _unit(values: Floats) -> Floats:
    low, high = float(values.min()), float(values.max())
    unit: Floats = (values - (low + high) / 2) / ((high - low) / 2 or 1.0)
    return unit
