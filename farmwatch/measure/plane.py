"""Least squares and the least-squares plane (LSPL, ISO 12781-1) of a stack of readings."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from farmwatch.measure.points import as_stack, masks
from farmwatch.mesh import Floats

__all__ = ["LeastSquares", "Plane", "least_squares", "least_squares_plane"]


@dataclass(frozen=True, slots=True, eq=False)
class LeastSquares:
    """A least-squares fit y ≈ design · coefficients; a leading axis `[n]` where a stack was fitted."""

    coefficients: Floats
    """`[k]`; NaN where the points present do not determine them."""
    cofactor: Floats
    """`[k, k]`, inverse of designᵀ·design over the points present: times a variance it is the covariance."""
    residuals: Floats
    """`[points]`; NaN where y is."""
    sigma: Floats
    """Residual standard deviation with points − k degrees of freedom; NaN where there are none."""

    @property
    def covariance(self) -> Floats:
        """Covariance of the coefficients `[k, k]`, from the residuals' own standard deviation."""
        return _covariance(self.cofactor, self.sigma)


@dataclass(frozen=True, slots=True, eq=False)
class Plane:
    """z ≈ a + bx·(x − x0) + by·(y − y0), mm and mm/mm; arrays `[n]`, or single numbers for one reading."""

    a: Floats
    bx: Floats
    by: Floats
    x0: float
    y0: float
    residuals: Floats
    """The form e, in the shape of the heights handed in, mm; NaN where missing."""
    sigma: Floats
    """Residual standard deviation with points − 3 degrees of freedom, mm; NaN where there are none."""
    cofactor: Floats
    """`[3, 3]` per reading, in the order a, bx, by: times the variance of a point it is the covariance."""

    @property
    def covariance(self) -> Floats:
        """Covariance of (a, bx, by), `[3, 3]` per reading, from the residuals' own standard deviation."""
        return _covariance(self.cofactor, self.sigma)

    def covariance_for(self, sigma: ArrayLike) -> Floats:
        """Covariance of (a, bx, by) for a known standard deviation of a point, mm."""
        return _covariance(self.cofactor, np.asarray(sigma, dtype=np.float64))

    def at(self, x: ArrayLike, y: ArrayLike) -> Floats:
        """Height of the plane at x, y `[m]`, mm: `[n, m]`, or `[m]` for one reading."""
        dx = np.asarray(x, dtype=np.float64) - self.x0
        dy = np.asarray(y, dtype=np.float64) - self.y0
        a, bx, by = (np.asarray(part)[..., None] for part in (self.a, self.bx, self.by))
        height: Floats = a + bx * dx + by * dy
        return height


def least_squares(design: ArrayLike, y: ArrayLike) -> LeastSquares:
    """Fit y `[points]` or `[n, points]` by the columns of design `[points, k]`; NaN in y is a missing point.

    Columns are scaled to unit length and decomposed by singular values (Golub & Van Loan, Matrix Computations,
    5.5), so polynomials of high degree and columns of very different size keep their digits; one step of
    refinement follows. A stack shares one pseudo-inverse per pattern of missing points.
    Raises ValueError where the shapes do not fit.
    """
    columns, heights = np.asarray(design, dtype=np.float64), np.asarray(y, dtype=np.float64)
    if columns.ndim != 2 or heights.ndim not in (1, 2) or heights.shape[-1] != columns.shape[0]:
        raise ValueError(f"a design of shape {columns.shape} does not fit heights of shape {heights.shape}")
    stack = np.atleast_2d(heights)
    fit = _fit_stack(columns, stack)
    if heights.ndim == 2:
        return fit
    return LeastSquares(fit.coefficients[0], fit.cofactor[0], fit.residuals[0], fit.sigma[0])


def least_squares_plane(x: ArrayLike, y: ArrayLike, z: ArrayLike) -> Plane:
    """The least-squares plane (LSPL, ISO 12781-1) of one reading or a stack.

    x, y, z: equal-length 1-D arrays; or x, y `[points]` with z `[n, points]`; or axes x `[c]`, y `[r]` with z
    `[n, r, c]`. Heights may be NaN; a reading whose points lie in a line gives NaN. Coordinates are taken from
    their centre (x0, y0) for conditioning. Raises ValueError where the shapes do not fit.
    """
    stack = as_stack(x, y, z)
    x0, y0 = float(stack.x.mean()), float(stack.y.mean())
    fit = _fit_stack(np.column_stack([np.ones(stack.x.size), stack.x - x0, stack.y - y0]), stack.z)
    a, bx, by = (stack.each(fit.coefficients[:, i]) for i in range(3))
    return Plane(
        a=a,
        bx=bx,
        by=by,
        x0=x0,
        y0=y0,
        residuals=fit.residuals.reshape(stack.shape),
        sigma=stack.each(fit.sigma),
        cofactor=stack.each(fit.cofactor),
    )


def _fit_stack(design: Floats, y: Floats) -> LeastSquares:
    here, group = masks(y)
    inverse, cofactor = _pseudo_inverses(design, here)
    coefficients = _apply(inverse, group, y)
    residuals = y - coefficients @ design.T
    coefficients = coefficients + _apply(inverse, group, residuals)
    residuals = y - coefficients @ design.T
    freedom = (here.sum(axis=1) - design.shape[1])[group]
    squares = np.einsum("np,np->n", *(2 * [np.nan_to_num(residuals)]))
    sigma = np.full(len(y), np.nan)
    np.sqrt(squares / np.maximum(freedom, 1), out=sigma, where=(freedom > 0) & np.isfinite(coefficients[:, 0]))
    return LeastSquares(coefficients, cofactor[group], residuals, sigma)


def _pseudo_inverses(design: Floats, here: np.ndarray) -> tuple[Floats, Floats]:
    """Pseudo-inverse `[g, k, points]` and cofactor `[g, k, k]` for each pattern of points present `[g, points]`."""
    points, k = design.shape
    # A missing point is a row of zeros, whose column in the pseudo-inverse is zero too.
    masked = design * here[:, :, None]
    scale = np.linalg.norm(masked, axis=1)[:, None, :]
    u, s, vt = np.linalg.svd(masked / np.where(scale > 0, scale, 1.0), full_matrices=False)
    if points < k:
        return np.full((len(here), k, points), np.nan), np.full((len(here), k, k), np.nan)
    good = s[:, -1] > s[:, 0] * max(points, k) * np.finfo(float).eps
    root = np.swapaxes(vt, 1, 2) / np.where(good[:, None], s, np.nan)[:, None, :]
    root = root / np.where(scale > 0, scale, np.nan).swapaxes(1, 2)
    return root @ np.swapaxes(u, 1, 2), root @ np.swapaxes(root, 1, 2)


def _apply(inverse: Floats, group: np.ndarray, y: Floats) -> Floats:
    if len(inverse) == 1:
        shared: Floats = np.nan_to_num(y) @ inverse[0].T
        return shared
    each: Floats = np.einsum("nkp,np->nk", inverse[group], np.nan_to_num(y))
    return each


def _covariance(cofactor: Floats, sigma: Floats) -> Floats:
    variance: Floats = np.asarray(sigma)[..., None, None] ** 2
    return cofactor * variance
