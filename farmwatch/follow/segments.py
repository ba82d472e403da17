"""Optimal piecewise-linear segmentation with breaks, of many series side by side.

A series is a matrix of heights over time. Every segment has its own straight line per column and its own offset per
temperature band; between segments everything may break. What is sought is the set of breaks that makes

    sum over segments of (squared residuals in units of the noise) + penalty x number of breaks

least: the penalised likelihood of Killick, Fearnhead & Eckley, Optimal Detection of Changepoints With a Linear
Computational Cost, JASA 107 (2012), solved exactly by dynamic programming (Jackson et al., IEEE Signal Processing
Letters 12, 2005). The cost of any segment is O(1) from cumulative sums.

The pruning rule of 2012 drops nothing while a machine stands still, which is the rule here, so it is not used. Up to
`EXACT_UP_TO` readings every reading may be a break. Longer series are screened first: breaks on a coarse net, at a
fraction of the penalty, and around its ends; every reading near one of them then may be a break of the exact search.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations_with_replacement

import numpy as np
from numpy.typing import NDArray

from farmwatch.mesh import Floats

__all__ = ["EXACT_UP_TO", "LEAST_SIDE", "Costs", "Segmentation", "SeriesBatch", "penalty", "segment", "segment_costs"]

LEAST_SIDE = 3
"""Readings that a segment wants at least."""

EXACT_UP_TO = 256
# Screening: a coarse net of this many knots, breaks at this share of the penalty.
_COARSE_KNOTS = 200
_COARSE_SHARE = 0.4

_NO_PIVOT = 1e-9

Ints = NDArray[np.intp]


@dataclass(frozen=True, slots=True, eq=False)
class SeriesBatch:
    """Series side by side, padded to one length n: t `[b, n]`, y `[b, n, d]` in units of the noise, extra `[b, n, q]`.

    `length [b]` is how many readings each has; `extra` are further columns of every segment's line (band indicators);
    `forced [b, n]` marks readings before which a new segment starts whatever the cost. What lies past `length` must
    be finite and is not looked at.
    """

    t: Floats
    y: Floats
    extra: Floats
    length: Ints
    forced: NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Costs:
    """Squared residuals of every segment between two knots, one array `[b, j]` per right-hand knot j; inf: not allowed.

    `knots [b, k + 1]` are reading numbers, the first 0, the last the length (repeated where a series has fewer).
    """

    knots: Ints
    columns: tuple[Floats, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Segmentation:
    """Starts of the segments of each series (the first is 0), and the cost reached (penalties included)."""

    starts: tuple[Ints, ...]
    total: Floats


def penalty(n: Floats, columns: int, extra: int = 0) -> Floats:
    """Penalty per break, in -2 ln L, for n `[b]` readings; set by simulation.

    Still machines of 8 to 150 readings with one to three movable screws and lag-1 correlation 0.25 or 0.5: no false
    break in 9,000 with normal noise, 4 in 9,000 with noise of Student's t with 4 degrees of freedom.
    A break of d columns with q further offsets each is free to fit d (2 + q) numbers and its place.
    """
    free = columns * (2 + extra)
    base = 22.0 + 2.5 * free
    each: Floats = base * (1.0 + 15.0 / np.maximum(n, 1.0))
    return each


def segment(batch: SeriesBatch, scale: Floats, price: Floats, costs: Costs | None = None) -> Segmentation:
    """The optimal segmentation of each series; `scale [b]` multiplies its squares, `price [b]` is per break."""
    found = segment_costs(batch, scale, price) if costs is None else costs
    return _search(found, scale, price)


def segment_costs(batch: SeriesBatch, scale: Floats, price: Floats) -> Costs:
    """Costs of all segments that may be; `scale` and `price` matter only where long series must be screened."""
    sums = _Sums.of(batch)
    n = int(batch.length.max())
    if n <= EXACT_UP_TO:
        knots = np.minimum(np.arange(n + 1)[None, :], batch.length[:, None])
        return _between(sums, batch, knots)
    step = -(-n // _COARSE_KNOTS)
    cheap = price * _COARSE_SHARE
    rough = _search(_between(sums, batch, _net(batch, step)), scale, cheap)
    near = _refined(batch, [rough.starts], step)
    # A rough break may lie at the edge of what it stands for: once more, around what is found near it.
    better = _search(_between(sums, batch, near), scale, cheap)
    return _between(sums, batch, _refined(batch, [rough.starts, better.starts], step))


@dataclass(frozen=True, slots=True, eq=False)
class _Sums:
    """Cumulative sums `[..., b, n + 1]` of products of the line's columns, of them with y, and of y squared.

    `gram [p (p + 1) / 2]` row by row of the upper triangle; `with_y [p, d]`; `squares` alone.
    """

    gram: Floats
    with_y: Floats
    squares: Floats

    @classmethod
    def of(cls, batch: SeriesBatch) -> _Sums:
        columns = np.stack([np.ones_like(batch.t), _to_unit(batch), *np.moveaxis(batch.extra, -1, 0)])
        y = np.moveaxis(batch.y - _means(batch)[:, None, :], -1, 0)
        above = np.triu_indices(len(columns))
        return cls(
            _cumulated(columns[above[0]] * columns[above[1]]),
            _cumulated(columns[:, None] * y[None]),
            _cumulated((y * y).sum(axis=0)),
        )

    def at(self, knots: Ints) -> _Sums:
        """The sums at knots `[b, k + 1]` only."""
        return _Sums(*(_picked(part, knots) for part in (self.gram, self.with_y, self.squares)))


def _between(sums: _Sums, batch: SeriesBatch, knots: Ints) -> Costs:
    at_knots = sums.at(knots)
    barred = np.concatenate([batch.forced, np.zeros((len(knots), 1), dtype=bool)], axis=1)
    plain = not barred.any() and int(batch.length.min()) >= LEAST_SIDE
    barred[:, 0] = True
    barred[np.arange(len(knots)), batch.length] = True
    # How many forced starts lie at or before each knot, and which knots are such.
    walls = np.take_along_axis(np.cumsum(barred, axis=1), knots, axis=1)
    wall = np.take_along_axis(barred, knots, axis=1)
    columns = []
    for j in range(1, knots.shape[1]):
        cost = _residual_squares(at_knots, j)
        size = knots[:, j : j + 1] - knots[:, :j]
        bad = size < LEAST_SIDE
        if not plain:
            bad &= ~(wall[:, j : j + 1] & wall[:, :j] & (size > 0))
            bad |= walls[:, j : j + 1] - wall[:, j : j + 1] - walls[:, :j] > 0
        cost[bad] = np.inf
        columns.append(cost)
    return Costs(knots, tuple(columns))


def _residual_squares(sums: _Sums, j: int) -> Floats:
    """Squared residuals from each knot before j to j, `[b, j]`, by elimination without square roots."""
    inside = sums.gram[..., j : j + 1] - sums.gram[..., :j]
    right = sums.with_y[..., j : j + 1] - sums.with_y[..., :j]
    cost: Floats = sums.squares[:, j : j + 1] - sums.squares[:, :j]
    p = len(right)
    place = {pair: k for k, pair in enumerate(combinations_with_replacement(range(p), 2))}
    for a in range(p):
        pivot = inside[place[a, a]]
        # A column that the ones before it explain (all at one time, one band only) has no pivot and takes no part.
        none = pivot < _NO_PIVOT
        inverse = 1.0 / np.maximum(pivot, _NO_PIVOT)
        inverse[none] = 0.0
        for b in range(a + 1, p):
            factor = inside[place[a, b]] * inverse
            for c in range(b, p):
                inside[place[b, c]] -= factor * inside[place[a, c]]
            right[b] -= factor * right[a]
        cost -= np.einsum("dbj,dbj->bj", right[a], right[a]) * inverse
    return np.maximum(cost, 0.0, out=cost)


def _search(costs: Costs, scale: Floats, price: Floats) -> Segmentation:
    knots = costs.knots
    series, last = knots.shape[0], knots.shape[1] - 1
    best = np.full((series, last + 1), np.inf)
    best[:, 0] = -price
    came = np.zeros((series, last + 1), dtype=np.intp)
    rows = np.arange(series)
    for j in range(1, last + 1):
        tried = costs.columns[j - 1] * scale[:, None]
        tried += best[:, :j]
        came[:, j] = tried.argmin(axis=1)
        best[:, j] = tried[rows, came[:, j]] + price
    # The first knot that stands at a series' length is its end.
    ends = (knots < knots[:, -1:]).sum(axis=1)
    starts = tuple(_walk_back(came[b], knots[b], int(ends[b])) for b in range(series))
    return Segmentation(starts, best[rows, ends])


def _walk_back(came: Ints, knots: Ints, end: int) -> Ints:
    starts = []
    at = end
    while at > 0:
        at = int(came[at])
        starts.append(int(knots[at]))
    return np.array(starts[::-1] or [0], dtype=np.intp)


def _net(batch: SeriesBatch, step: int) -> Ints:
    """Knots every `step` readings, at the forced starts and at both ends."""
    sets = []
    for b, length in enumerate(batch.length):
        forced = np.flatnonzero(batch.forced[b, :length])
        sets.append(np.unique(np.concatenate([np.arange(0, length, step), forced, [length]])))
    return _padded(sets)


def _refined(batch: SeriesBatch, rough: Sequence[Sequence[Ints]], step: int) -> Ints:
    """Every reading near a rough break, a forced start or the end of the series."""
    sets = []
    for b, length in enumerate(batch.length):
        forced = np.flatnonzero(batch.forced[b, :length])
        middles = np.concatenate([*(starts[b] for starts in rough), forced, [length]])
        near = (middles[:, None] + np.arange(-3 * step, 3 * step + 1)[None, :]).ravel()
        sets.append(np.unique(np.concatenate([near[(near > 0) & (near < length)], forced, [0, length]])))
    return _padded(sets)


def _padded(sets: list[Ints]) -> Ints:
    widest = max(len(each) for each in sets)
    return np.stack([np.pad(each, (0, widest - len(each)), mode="edge") for each in sets]).astype(np.intp)


def _to_unit(batch: SeriesBatch) -> Floats:
    inside = np.arange(batch.t.shape[1])[None, :] < batch.length[:, None]
    low = np.where(inside, batch.t, np.inf).min(axis=1, keepdims=True)
    high = np.where(inside, batch.t, -np.inf).max(axis=1, keepdims=True)
    unit: Floats = (batch.t - (low + high) / 2) / np.maximum((high - low) / 2, 1e-9)
    return unit


def _means(batch: SeriesBatch) -> Floats:
    inside = (np.arange(batch.t.shape[1])[None, :] < batch.length[:, None])[:, :, None]
    mean: Floats = np.where(inside, batch.y, 0.0).sum(axis=1) / np.maximum(batch.length, 1)[:, None]
    return mean


def _cumulated(values: Floats) -> Floats:
    total = np.zeros((*values.shape[:-1], values.shape[-1] + 1))
    np.cumsum(values, axis=-1, out=total[..., 1:])
    return total


def _picked(sums: Floats, knots: Ints) -> Floats:
    """`sums [..., b, n + 1]` at knots `[b, k + 1]`."""
    if knots.shape[1] == sums.shape[-1] and (knots == np.arange(sums.shape[-1])).all():
        return sums
    picked: Floats = np.take_along_axis(sums, knots.reshape((1,) * (sums.ndim - 2) + knots.shape), axis=-1)
    return picked
