"""Points misread in one reading only: a probe's spikes as a history shows them.

A single mesh is searched for spikes by `find_spikes`, which must tell a spike from a bent corner by
its neighbours alone. A history knows better what a bed looks like: a point that differs from the reading before *and*
from the reading after, while the points beside it do not lean with it, was misread. That costs next to nothing, which
counts here, where every reading of every machine is looked at.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from farmwatch.measure.points import MAD_TO_SD
from farmwatch.measure.spikes import find_spikes
from farmwatch.mesh import Floats

__all__ = ["without_transient_spikes"]

Ints = NDArray[np.intp]

_LEAST_MM = 0.05
_SIGMAS = 6.0
_LEAN_SHARE = 0.15
_LEAN_SIGMAS = 2.0
# The plane of a reading with a spike is drawn towards it, which hides a part of it at first.
_SHOWS = 0.85
_READINGS_FOR_SIGMA = 30
_LEAST_READINGS = 3


def without_transient_spikes(x: Floats, y: Floats, z: Floats, form: Floats, owner: Ints) -> Floats:
    """z `[n, r, c]` with NaN for points misread in it; z itself where there are none.

    `form [n, r, c]` is z without its planes, `owner [n]` the machine of each reading, its readings in time order and
    together. Machines with fewer than three readings are searched mesh by mesh.
    """
    n = len(z)
    flat = form.reshape(n, -1)
    change = np.full_like(flat, np.nan)
    change[1:] = flat[1:] - flat[:-1]
    change[np.flatnonzero(np.diff(owner, prepend=-1))] = np.nan
    size = np.abs(change)
    largest = np.fmax.reduce(size, axis=1)
    # An end has one neighbour only.
    before, after = largest, np.append(largest[1:], np.nan)
    rows = np.flatnonzero(np.fmin(before, after) > _LEAST_MM * _SHOWS)
    bad = np.zeros(flat.shape, dtype=bool)
    if rows.size:
        sigma = _sigmas(size, owner)[owner[rows]]
        bad[rows] = _transient(change, rows, sigma, z.shape[1:])
    edges = _still_changed(size, bad, largest)
    if edges.size:
        bad[edges] |= find_spikes(x, y, z[edges]).reshape(edges.size, -1)
        _go_on(size, bad, edges, owner)
    few = np.flatnonzero(np.bincount(owner)[owner] < _LEAST_READINGS)
    if few.size:
        bad[few] = find_spikes(x, y, z[few]).reshape(few.size, -1)
    return np.where(bad.reshape(z.shape), np.nan, z) if bad.any() else z


def _transient(change: Floats, rows: Ints, sigma: Floats, shape: tuple[int, ...]) -> NDArray[np.bool_]:
    """Points of the readings `rows` misread in them alone, `[rows, points]`."""
    left = change[rows]
    right = np.full_like(left, np.nan)
    inside = rows + 1 < len(change)
    right[inside] = -change[rows[inside] + 1]
    alone_left, alone_right = np.isnan(left).all(axis=1), np.isnan(right).all(axis=1)
    left[alone_left], right[alone_right] = right[alone_left], left[alone_right]
    off = (left + right) / 2
    agree = np.where(np.sign(left) == np.sign(right), np.minimum(np.abs(left), np.abs(right)), 0.0)
    stands = agree > _SHOWS * np.maximum(_SIGMAS * 1.2 * sigma, _LEAST_MM)[:, None]
    beside = _beside(*shape)
    near = np.where(beside >= 0, off[:, beside], np.nan) * np.sign(off)[:, :, None]
    reading, point = np.nonzero(stands)
    with_it = _median_of_present(near[reading, point])
    # Beside a point that stands off further the same way, a point is the slope of that one's bend.
    slope = np.fmax.reduce(near[reading, point], axis=1) > np.abs(off[reading, point])
    leans = slope | (with_it > np.maximum(_LEAN_SHARE * np.abs(off[reading, point]), _LEAN_SIGMAS * sigma[reading]))
    stands[reading[leans], point[leans]] = False
    return stands


def _still_changed(size: Floats, bad: NDArray[np.bool_], largest: Floats) -> Ints:
    """Readings beside a change that no such point explains: another form, or a point misread twice running."""
    at = np.flatnonzero(largest > _LEAST_MM * _SHOWS)
    left_over = np.where(bad[at] | bad[at - 1], np.nan, size[at])
    at = at[np.fmax.reduce(left_over, axis=1, initial=0.0) > _LEAST_MM * _SHOWS]
    return np.unique(np.concatenate([at - 1, at]))


def _go_on(size: Floats, bad: NDArray[np.bool_], edges: Ints, owner: Ints) -> None:
    """A point misread several times running is a spike in each of those readings, the middle ones too."""
    for reading, point in zip(*(part.tolist() for part in np.nonzero(bad[edges])), strict=True):
        for way in (1, -1):
            i = int(edges[reading]) + way
            while 0 <= i < len(bad) and owner[i] == owner[i - way] and not bad[i, point]:
                if not size[max(i, i - way), point] < _LEAST_MM * _SHOWS:
                    break
                bad[i, point] = True
                i += way


def _median_of_present(values: Floats) -> Floats:
    """Median of each row, NaN left out; infinite where none is left: a point without neighbours is no spike."""
    count = np.isfinite(values).sum(axis=1)
    ordered = np.sort(values, axis=1)
    row = np.arange(len(values))
    middle = (ordered[row, np.maximum(count - 1, 0) // 2] + ordered[row, np.minimum(count // 2, 7)]) / 2
    return np.where(count > 0, middle, np.inf)


def _sigmas(size: Floats, owner: Ints) -> Floats:
    """Standard deviation of a point of each machine, from some of its changes."""
    starts = np.flatnonzero(np.diff(owner, prepend=-1))
    sigma = np.zeros(int(owner[-1]) + 1)
    for begin, end in zip(starts, [*starts[1:], len(owner)], strict=True):
        if end - begin > 1:
            step = max(1, (end - begin - 1) // _READINGS_FOR_SIGMA)
            some = size[begin + 1 : end : step]
            some = some[np.isfinite(some)]
            if some.size:
                sigma[owner[begin]] = MAD_TO_SD / np.sqrt(2.0) * float(np.median(some))
    return sigma


@lru_cache(maxsize=32)
def _beside(rows: int, columns: int) -> Ints:
    """Of each point of a grid, the up to eight points beside it, `[points, 8]`, −1 where there is none."""
    number = np.full((rows + 2, columns + 2), -1, dtype=np.intp)
    number[1:-1, 1:-1] = np.arange(rows * columns).reshape(rows, columns)
    ways = [(i, j) for i in (0, 1, 2) for j in (0, 1, 2) if (i, j) != (1, 1)]
    return np.stack([number[i : i + rows, j : j + columns].ravel() for i, j in ways], axis=1)
