"""How the screw heights of an unmoved machine scatter from reading to reading, and readings that stand alone.

Series lie side by side, padded: u `[b, n, m]` with `length [b]` readings each.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from farmwatch.measure import MAD_TO_SD
from farmwatch.mesh import Floats

__all__ = ["LARGEST_CORRELATION", "bias_corrected", "inflation", "inside", "lone_readings", "reading_covariance"]

LARGEST_CORRELATION = 0.7
# Share of a normal distribution that the trimmed covariance keeps: chi-squared quantile 0.99 for 1, 2 ... columns.
_KEEP = (6.635, 9.210, 11.345, 13.277, 15.086)
# Expected squared size of what is kept, per column, as a share of the whole: P(chi2[d + 2] < c) / P(chi2[d] < c).
_KEPT = (0.9248, 0.9535, 0.9647, 0.9709, 0.9748)
# A lone reading stands off by more than this many sd from the median of every run of five that it is in.
_LONE_SD = 6.0
_RUN = 5

Ints = NDArray[np.intp]


def inside(length: Ints, n: int) -> NDArray[np.bool_]:
    """Which places of the padded arrays hold a reading, `[b, n]`."""
    here: NDArray[np.bool_] = np.arange(n)[None, :] < length[:, None]
    return here


def reading_covariance(u: Floats, use: NDArray[np.bool_], floor: Floats) -> Floats:
    """Covariance of one reading, `[b, m, m]`, from successive differences / √2: what drift and steps hardly touch.

    Differences of u `[b, n, m]` count where `use [b, n - 1]`. Robust: scaled by the median, trimmed at the 99 % point
    of the normal distribution twice, made consistent for it. Under autocorrelation it is too small by (1 − φ):
    `inflation` puts that right. Never below `floor [b, m, m]`, the noise of the points alone.
    """
    if not use.shape[1]:
        return floor.copy()
    change = np.diff(u, axis=1) / np.sqrt(2.0)
    m = u.shape[2]
    enough = use.sum(axis=1) >= 2
    size = np.where(use[:, :, None], np.abs(change), np.nan)
    size[~enough] = 0.0
    least = np.sqrt(np.einsum("bmm->bm", floor))
    spread = np.maximum(MAD_TO_SD * np.nanmedian(size, axis=1), least)
    covariance = np.zeros((len(u), m, m))
    covariance[:, range(m), range(m)] = spread**2
    for _ in range(3):
        standard = change @ np.linalg.inv(np.linalg.cholesky(covariance)).swapaxes(1, 2)
        keep = use & (np.einsum("bnm,bnm->bn", standard, standard) < _KEEP[m - 1])
        kept = np.where(keep[:, :, None], change, 0.0)
        count = np.maximum(keep.sum(axis=1), 1)[:, None, None]
        covariance = kept.swapaxes(1, 2) @ kept / (count * _KEPT[m - 1]) + floor * 1e-3
        covariance = _at_least(covariance, floor)
    return covariance


def lone_readings(u: Floats, length: Ints, covariance: Floats) -> NDArray[np.bool_]:
    """Readings `[b, n]` that no two others beside them agree with: one or two that went astray, or that are too new.

    A reading is in company when it is within 6 sd of the median of any run of five readings that holds it: three
    at the new height make a step, two do not.
    """
    batch, n, _ = u.shape
    alone = np.zeros((batch, n), dtype=bool)
    if n < _RUN:
        return alone
    standard = u @ np.linalg.inv(np.linalg.cholesky(covariance)).swapaxes(1, 2)
    runs = np.lib.stride_tricks.sliding_window_view(standard, _RUN, axis=1)
    middle = np.sort(runs, axis=-1)[..., _RUN // 2]
    nearest = np.full((batch, n), np.inf)
    whole = np.arange(n - _RUN + 1)[None, :] + _RUN <= length[:, None]
    for k in range(_RUN):
        off = standard[:, k : n - _RUN + 1 + k] - middle
        distance = np.where(whole, np.einsum("bnm,bnm->bn", off, off), np.inf)
        part = nearest[:, k : n - _RUN + 1 + k]
        np.minimum(part, distance, out=part)
    alone = nearest > _LONE_SD**2
    return alone & inside(length, n) & (length >= _RUN)[:, None]


def bias_corrected(products: Floats, squares: Floats, count: Ints, segments: Ints, least: float = 0.0) -> Floats:
    """Lag-1 correlation `[b]` of residuals from straight lines, its small-sample bias taken off.

    With r = products / squares pooled over the segments of n readings in all: (n·r + 2) / (n − 4), 2 and 4 for every
    segment (the bias of r for residuals from a line in AR(1) noise is about −(2 + 4φ)/n). Clipped to `least` to 0.7.
    """
    r = products / np.where(squares > 0, squares, 1.0)
    freedom = np.maximum(count - 4 * segments, count / 3.0)
    corrected = (count * r + 2.0 * segments) / np.maximum(freedom, 1.0)
    clipped: Floats = np.clip(corrected, least, LARGEST_CORRELATION)
    return clipped


def inflation(correlation: Floats) -> Floats:
    """(1 + φ) / (1 − φ)²: from successive differences to what a mean of AR(1) readings strays by."""
    factor: Floats = (1.0 + correlation) / (1.0 - correlation) ** 2
    return factor


def _at_least(covariance: Floats, floor: Floats) -> Floats:
    """Raise a covariance, where it lies below the floor in any direction, to it."""
    root = np.linalg.cholesky(floor)
    whiten = np.linalg.inv(root)
    size, axes = np.linalg.eigh(whiten @ covariance @ whiten.swapaxes(1, 2))
    raised = (axes * np.maximum(size, 1.0)[:, None, :]) @ axes.swapaxes(1, 2)
    result: Floats = root @ raised @ root.swapaxes(1, 2)
    return result
