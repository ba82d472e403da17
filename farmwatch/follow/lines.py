"""Straight lines through many groups of readings at once: the least squares of segments, steps and forecasts."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from farmwatch.mesh import Floats

__all__ = ["Lines", "fit_lines", "ranges_of"]


@dataclass(frozen=True, slots=True, eq=False)
class Lines:
    """g lines y ≈ level + slope·(t − middle) + extra·offsets; coefficients `[g, 2 + q, m]` in that order.

    A column that a group does not determine (one time only, one band only) has the coefficient 0 and no cofactor.
    """

    middle: Floats
    """`[g]` mean time of each group."""
    coefficients: Floats
    cofactor: Floats
    """`[g, 2 + q, 2 + q]`: times a variance of y it is the covariance of the coefficients."""
    residuals: Floats
    """`[n, m]`"""
    count: NDArray[np.intp]
    """`[g]` readings."""
    rank: NDArray[np.intp]
    """`[g]` coefficients determined."""


def fit_lines(group: NDArray[np.intp], groups: int, t: Floats, extra: Floats, y: Floats) -> Lines:
    """Fit each group: group `[n]` (0 to groups − 1), t `[n]`, extra `[n, q]`, y `[n, m]`."""
    count = np.bincount(group, minlength=groups)
    middle = _sums(group, groups, t) / np.maximum(count, 1)
    away = t - middle[group]
    width = np.sqrt(_sums(group, groups, away * away) / np.maximum(count, 1))
    unit = np.where(width > 0, width, 1.0)
    columns = [np.ones_like(t), away / unit[group], *extra.T]
    p, m = len(columns), y.shape[1]
    base = np.stack([_sums(group, groups, y[:, k]) for k in range(m)], axis=1) / np.maximum(count, 1)[:, None]
    free = y - base[group]
    gram = np.empty((groups, p, p))
    right = np.empty((groups, p, m))
    for a in range(p):
        for b in range(a, p):
            gram[:, a, b] = gram[:, b, a] = _sums(group, groups, columns[a] * columns[b])
        for k in range(m):
            right[:, a, k] = _sums(group, groups, columns[a] * free[:, k])
    cofactor, rank = _inverse(gram)
    coefficients = cofactor @ right
    fitted = sum((columns[a][:, None] * coefficients[group, a] for a in range(p)), np.zeros_like(y))
    residuals = free - fitted
    coefficients[:, 0] += base
    coefficients[:, 1] /= unit[:, None]
    cofactor[:, 1, :] /= unit[:, None]
    cofactor[:, :, 1] /= unit[:, None]
    return Lines(middle, coefficients, cofactor, residuals, count, rank)


def ranges_of(starts: NDArray[np.intp], end: int) -> NDArray[np.intp]:
    """Number of the segment that each of `end` readings lies in, `[end]`, from the segments' first readings."""
    mark = np.zeros(end, dtype=np.intp)
    mark[starts[1:]] = 1
    return np.cumsum(mark)


def _inverse(gram: Floats) -> tuple[Floats, NDArray[np.intp]]:
    """Inverse of each `[p, p]` over the columns that earlier ones do not explain, zero elsewhere; and their number.

    Gauss-Jordan in place, column by column, all groups at once.
    """
    swept = gram.copy()
    groups, p, _ = gram.shape
    scale = np.maximum(np.einsum("gpp->gp", gram), 1e-300)
    used = np.zeros((groups, p), dtype=bool)
    for k in range(p):
        pivot = swept[:, k, k]
        good = pivot > 1e-9 * scale[:, k]
        used[:, k] = good
        inverse = np.where(good, 1.0 / np.where(good, pivot, 1.0), 0.0)
        column, row = swept[:, :, k].copy(), swept[:, k, :].copy()
        swept -= np.where(good[:, None, None], column[:, :, None] * row[:, None, :] * inverse[:, None, None], 0.0)
        swept[:, k, :] = np.where(good[:, None], row * inverse[:, None], swept[:, k, :])
        swept[:, :, k] = np.where(good[:, None], -column * inverse[:, None], swept[:, :, k])
        swept[:, k, k] = np.where(good, inverse, swept[:, k, k])
    both = used[:, :, None] & used[:, None, :]
    result: Floats = np.where(both, swept, 0.0)
    return (result + np.swapaxes(result, 1, 2)) / 2, used.sum(axis=1)


def _sums(group: NDArray[np.intp], groups: int, values: Floats) -> Floats:
    sums: Floats = np.bincount(group, weights=values, minlength=groups).astype(np.float64)
    return sums
