"""Machines side by side: what noise, segments and trends are reckoned on, for many machines in one go."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from farmwatch.follow.lines import Lines, fit_lines, ranges_of
from farmwatch.follow.noise import (
    LARGEST_CORRELATION,
    bias_corrected,
    inflation,
    inside,
    lone_readings,
    reading_covariance,
)
from farmwatch.follow.segments import SeriesBatch, penalty, segment, segment_costs
from farmwatch.follow.series import Series
from farmwatch.mesh import Floats

__all__ = ["SegmentedBatch", "segment_machines", "segments_of"]

Ints = NDArray[np.intp]
Bools = NDArray[np.bool_]

# A screw's height is never known better than this, mm: readings that repeat to the last digit are no proof of it.
_LEAST_SD_MM = 0.0005
# Before anything is known of the autocorrelation of a machine.
_FIRST_CORRELATION = 0.5
# Days have little of it. Told from a dozen of them it is hardly told at all, and would hide any step.
_LARGEST_CORRELATION_OF_DAYS = 0.3
_LEAST_FAIR = -0.3
_ROUNDS = 3
# Residuals are clipped here, in sd, when their correlation is learned.
_CLIP_SD = 4.0
# A repair that is on record needs less proof than a step out of the blue: squared distance in sd.
_REPAIR_PROOF = 16.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SegmentedBatch:
    """b machines with m movable screws and q band offsets, segmented; arrays padded to n kept readings.

    Kept are the readings that are used and not alone.
    """

    series: tuple[Series, ...]
    kept: tuple[Ints, ...]
    """Of each machine, which readings of its history were kept."""
    tail: tuple[Ints, ...]
    """Of each machine, the one or two newest readings used where they stand alone."""
    t: Floats
    """`[b, n]` days."""
    u: Floats
    """`[b, n, m]`"""
    extra: Floats
    """`[b, n, q]` indicators of the bands other than the newest reading's."""
    length: Ints
    noise: Floats
    """`[b, m, m]` covariance of one reading about its segment's line."""
    correlation: Floats
    """`[b]` lag-1 correlation of readings, 0 to 0.7: what guards against false steps."""
    fair_correlation: Floats
    """`[b]` the same, clipped below at −0.3, not 0: otherwise intervals of uncorrelated machines are too wide."""
    starts: tuple[Ints, ...]
    """Of each machine, the first kept reading of each segment."""
    lines: Lines
    """Of every segment, machine after machine; `first_line [b]` is where each machine's begin."""
    first_line: Ints

    def running(self, b: int) -> slice:
        """The kept readings of machine `b`'s segment that still runs."""
        return slice(int(self.starts[b][-1]), int(self.length[b]))

    def last_line(self, b: int) -> int:
        """Number of the line of that segment."""
        return int(self.first_line[b]) + len(self.starts[b]) - 1


def segment_machines(series: Sequence[Series]) -> SegmentedBatch:
    """Noise, autocorrelation and segments of machines that have equally many movable screws and bands (not nil)."""
    rows = [one.rows for one in series]
    t, u, extra, epoch, length = _padded(series, rows, [one.work_epoch for one in series])
    cofactor = np.stack([one.measured.cofactor * one.measured.noise.sigma_mm**2 for one in series])
    floor = cofactor + np.eye(u.shape[2]) * _LEAST_SD_MM**2
    use = inside(length, t.shape[1])[:, 1:] & (np.diff(epoch, axis=1) == 0) & (np.diff(extra, axis=1) == 0).all(axis=2)
    covariance = reading_covariance(u, use, floor)
    lone = _alone(series, u, length, epoch, covariance)
    kept, tail = zip(*(_split(row, lone[b, : row.size]) for b, row in enumerate(rows)), strict=True)
    t, u, extra, epoch, length = _padded(series, kept, [one.note_epoch for one in series])
    root = np.linalg.cholesky(covariance)
    y = u @ np.linalg.inv(root).swapaxes(1, 2)
    forced = np.diff(epoch, axis=1, prepend=epoch[:, :1]) != 0
    _force_repairs(series, kept, y, forced)
    batch = SeriesBatch(t, y, extra, length, forced)
    starts, correlation, lines = _segments(batch, u, _largest_correlation(series))
    first_line = np.concatenate([[0], np.cumsum([len(start) for start in starts])])[:-1].astype(np.intp)
    return SegmentedBatch(
        series=tuple(series),
        kept=kept,
        tail=tail,
        t=t,
        u=u,
        extra=extra,
        length=length,
        noise=_residual_covariance(lines, starts, length, floor),
        correlation=correlation,
        fair_correlation=_correlation(batch, starts, _LEAST_FAIR),
        starts=starts,
        lines=lines,
        first_line=first_line,
    )


def segments_of(t: Floats, u: Floats, sigma_mm: float) -> tuple[Ints, Ints, Lines, Floats]:
    """One plain series: t `[n]`, u `[n, m]` with noise of at least `sigma_mm`.

    Hands back the readings kept, the first kept one of every segment, the segments' lines, and the covariance `[m, m]`
    of a mean of readings, times their number.
    """
    m = u.shape[1]
    floor = np.eye(m)[None] * sigma_mm**2
    length = np.array([len(t)], dtype=np.intp)
    covariance = reading_covariance(u[None], np.ones((1, len(t) - 1), dtype=bool), floor)
    kept = np.flatnonzero(~lone_readings(u[None], length, covariance)[0])
    kept = kept if kept.size else np.arange(len(t))
    y = u[kept] @ np.linalg.inv(np.linalg.cholesky(covariance[0])).T
    none = np.zeros((1, kept.size), dtype=bool)
    batch = SeriesBatch(t[None, kept], y[None], np.zeros((1, kept.size, 0)), np.array([kept.size], dtype=np.intp), none)
    starts, correlation, lines = _segments(batch, u[None, kept], np.array([LARGEST_CORRELATION]))
    noise = _residual_covariance(lines, starts, batch.length, floor)[0]
    return kept, starts[0], lines, noise * float((1.0 + correlation[0]) / (1.0 - correlation[0]))


def _padded(
    series: Sequence[Series], rows: Sequence[Ints], epochs: Sequence[Ints]
) -> tuple[Floats, Floats, Floats, Ints, Ints]:
    """t, u, band indicators, `epochs` and length of the readings `rows`, the last reading repeated as padding."""
    length = np.array([row.size for row in rows], dtype=np.intp)
    n, m = int(length.max()), series[0].measured.u.shape[1]
    bands = len(series[0].celsius)
    t, u = np.empty((len(rows), n)), np.empty((len(rows), n, m))
    extra, epoch = np.zeros((len(rows), n, bands - 1)), np.empty((len(rows), n), dtype=np.intp)
    for b, (one, row) in enumerate(zip(series, rows, strict=True)):
        full = np.concatenate([row, np.full(n - row.size, row[-1])])
        t[b], u[b], epoch[b] = one.days[full], one.u[full], epochs[b][full]
        others = [band for band in range(bands) if band != one.band[one.rows[-1]]]
        if others:
            extra[b] = one.band[full][:, None] == np.array(others)[None, :]
    return t, u, extra, epoch, length


def _alone(series: Sequence[Series], u: Floats, length: Ints, epoch: Ints, covariance: Floats) -> Bools:
    """Lone readings, looked for within one band, between notes and works."""
    lone = lone_readings(u, length, covariance)
    for b, one in enumerate(series):
        k = int(length[b])
        band = one.band[one.rows]
        kind = epoch[b, :k] * len(one.celsius) + band
        kinds = np.unique(kind)
        if kinds.size == 1:
            continue
        lone[b] = False
        for each in kinds:
            where = np.flatnonzero(kind == each)
            lone[b, where] = lone_readings(u[b : b + 1, where], np.array([where.size]), covariance[b : b + 1])[0]
    return lone


def _split(row: Ints, lone: Bools) -> tuple[Ints, Ints]:
    """The readings kept, and those after the last of them."""
    kept = row[~lone]
    if not kept.size:
        return row, row[:0]
    return kept, row[row > kept[-1]]


def _force_repairs(series: Sequence[Series], kept: Sequence[Ints], y: Floats, forced: Bools) -> None:
    """Start a segment after a ticket's work where the heights moved across it."""
    for b, (one, row) in enumerate(zip(series, kept, strict=True)):
        for work in one.measured.history.works:
            if work.end is None:
                continue
            at = int(np.searchsorted(one.measured.history.taken_at[row], work.end.timestamp(), side="left"))
            if not 0 < at < row.size:
                continue
            before = np.median(y[b, max(0, at - 3) : at], axis=0)
            after = np.median(y[b, at : min(row.size, at + 3)], axis=0)
            if float(((after - before) ** 2).sum()) > _REPAIR_PROOF:
                forced[b, at] = True


def _largest_correlation(series: Sequence[Series]) -> Floats:
    by_day = np.array([bool((one.size > 1).any()) for one in series])
    return np.where(by_day, _LARGEST_CORRELATION_OF_DAYS, LARGEST_CORRELATION)


def _segments(batch: SeriesBatch, u: Floats, largest: Floats) -> tuple[tuple[Ints, ...], Floats, Lines]:
    """Segments and autocorrelation, found in turns; lines are fitted to u in mm."""
    m, q = batch.y.shape[2], batch.extra.shape[2]
    price = penalty(batch.length.astype(np.float64), m, q)
    correlation = np.minimum(largest, _FIRST_CORRELATION)
    costs = segment_costs(batch, 1.0 / inflation(correlation), price)
    found = segment(batch, 1.0 / inflation(correlation), price, costs).starts
    for _ in range(_ROUNDS):
        correlation = np.minimum(largest, _correlation(batch, found))
        again = segment(batch, 1.0 / inflation(correlation), price, costs).starts
        same = all(np.array_equal(one, other) for one, other in zip(found, again, strict=True))
        found = again
        if same:
            break
    group, inside_, starts = _flat(batch, found)
    lines = fit_lines(group, starts, batch.t[inside_], batch.extra[inside_], u[inside_])
    return found, correlation, lines


def _flat(batch: SeriesBatch, starts: Sequence[Ints]) -> tuple[Ints, Bools, int]:
    """The segment number of every kept reading, machine after machine; where those stand; how many segments."""
    groups, offset = [], 0
    for start, length in zip(starts, batch.length, strict=True):
        groups.append(ranges_of(start, int(length)) + offset)
        offset += len(start)
    return np.concatenate(groups), inside(batch.length, batch.t.shape[1]), offset


def _correlation(batch: SeriesBatch, starts: Sequence[Ints], least: float = 0.0) -> Floats:
    group, where, count = _flat(batch, starts)
    lines = fit_lines(group, count, batch.t[where], batch.extra[where], batch.y[where])
    r = np.clip(lines.residuals, -_CLIP_SD, _CLIP_SD)
    machine = np.repeat(np.arange(len(starts)), batch.length)
    same = group[1:] == group[:-1]
    products = np.bincount(machine[1:], (r[1:] * r[:-1]).sum(axis=1) * same, len(starts))
    squares = np.bincount(machine, (r * r).sum(axis=1), len(starts))
    segments = np.array([len(start) for start in starts], dtype=np.intp)
    return bias_corrected(products.astype(np.float64), squares.astype(np.float64), batch.length, segments, least)


def _residual_covariance(lines: Lines, starts: Sequence[Ints], length: Ints, floor: Floats) -> Floats:
    """Covariance of the residuals, `[b, m, m]`, pooled over a machine's segments; `floor` where there are none."""
    machine = np.repeat(np.arange(len(starts)), length)
    m = lines.residuals.shape[1]
    covariance = np.empty((len(starts), m, m))
    owner = np.repeat(np.arange(len(starts)), [len(start) for start in starts])
    freedom = length - np.bincount(owner, lines.rank, len(starts))
    for a in range(m):
        for b in range(m):
            products = np.bincount(machine, lines.residuals[:, a] * lines.residuals[:, b], len(starts))
            covariance[:, a, b] = products / np.maximum(freedom, 1.0)
    return covariance + np.where((freedom < 1)[:, None, None], floor, floor * 1e-3)
