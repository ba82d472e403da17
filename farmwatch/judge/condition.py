"""Condition of a machine from its series of ranges: it changes on evidence, not on one reading near a limit.

Each limit has a rule with memory, a one-sided CUSUM (Page 1954) towards the side on which the machine is not: what a
range stands beyond the limit, less an allowance of one sd, is summed up and never falls below nothing; the machine
changes sides when the sum passes 3.2 sd. A machine that stands exactly on the limit then changes sides about once in
2,000 probings, and one that is past it by 3 sd is known within three. A range that breaks with the ones before it is
another matter: something moved, memory is of no use, and two probings in a row say where the machine is now.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from farmwatch.judge.assessment import Condition
from farmwatch.measure import MAD_TO_SD
from farmwatch.mesh import Floats
from farmwatch.model import Limits

__all__ = ["ConditionFinding", "find_condition", "next_sum", "two_that_change"]

HOUR = 3600.0
# One reading is evidence enough when it stands beyond a limit by more than both.
STRONG_SD = 4.0
STRONG_MM = 0.05
ALLOWANCE_SD = 1.0
DECISION_SD = 3.2
# A range is never known better than this: an sd of few readings may come out far too small.
LEAST_SD_MM = 0.006
# A range breaks with the median of the ones before it by more than 4 sd of a difference of two.
BREAK_SD = 4.0 * 2**0.5
MEDIAN_OF = 5
BLOCK = 32


@dataclass(frozen=True, slots=True, kw_only=True)
class ConditionFinding:
    """Where a machine is; `since` is the epoch second of the first reading that said so, None for `unknown`."""

    condition: Condition
    confirmed: bool = False
    """By the rule with memory, by two probings an hour apart, or by one far beyond the limit."""
    since: float | None = None
    from_the_first: bool = False
    """It was so at the first reading: since when is not known."""
    newest_agrees: bool = True
    """Whether the newest reading lies on the same side of the usable limit as the condition."""
    newest_agrees_on_ideal: bool = True
    """The same of the ideal limit."""
    moved: bool = False
    """Something moved: the newest reading breaks with those before it, and none after it has borne that out."""


@dataclass(slots=True)
class _Side:
    """On which side of one limit a machine is, and what speaks for the other."""

    above: bool
    since: float
    confirmed: bool = False
    settling: bool = True
    """Nothing before this counts: two probings in a row decide."""
    said: bool | None = None
    """What the probing before said; None where memory began anew."""
    run_since: float = 0.0
    sum_mm: float = 0.0
    sum_since: float = 0.0


def find_condition(taken_at: Floats, range_mm: Floats, sd_mm: float, limits: Limits) -> ConditionFinding:
    """Condition after the readings taken_at `[n]` (epoch seconds, ascending) with ranges range_mm `[n]`, sd of one.

    The first reading sets it. Each of the two limits is followed for itself, by the rule at the head of this module; a
    range beyond a limit by more than 4 sd and 0.05 mm says by itself on which side it is. Readings within an hour of
    the last that counted are the same probing.
    """
    if taken_at.size == 0:
        return ConditionFinding(condition="unknown")
    times, ranges, sds = taken_at.tolist(), range_mm.tolist(), _sd_of_each(range_mm, sd_mm).tolist()
    breaks = _breaks(times, ranges, sds)
    ideal = _follow_limit(times, ranges, breaks, limits.ideal_mm, sds)
    usable = _follow_limit(times, ranges, breaks, limits.usable_mm, sds)
    found = ConditionFinding(condition="ideal", confirmed=ideal.confirmed, since=ideal.since)
    if usable.above:
        found = ConditionFinding(condition="past-limit", confirmed=usable.confirmed, since=usable.since)
    elif ideal.above:
        sure, since = usable.confirmed and ideal.confirmed, max(usable.since, ideal.since)
        found = ConditionFinding(condition="usable", confirmed=sure, since=since)
    return replace(
        found,
        from_the_first=found.since == times[0],
        newest_agrees=(ranges[-1] > limits.usable_mm) == usable.above,
        newest_agrees_on_ideal=(ranges[-1] > limits.ideal_mm) == ideal.above,
        moved=usable.settling and len(times) > 1,
    )


def two_that_change(limit_mm: float, sd_mm: float) -> float:
    """The greatest range that, read twice in a row, brings a machine past its limit back under it, mm."""
    return limit_mm - (ALLOWANCE_SD + DECISION_SD / 2) * max(sd_mm, LEAST_SD_MM)


def next_sum(before: float, beyond: float, allowance: float) -> float:
    """A one-sided CUSUM (Page 1954) after one more value that lies `beyond` its target; NIST/SEMATECH 6.3.2.3."""
    return max(before + (beyond - allowance), 0.0)


def _sd_of_each(range_mm: Floats, sd_mm: float) -> Floats:
    """The sd `[n]` each range is weighed with, estimated from the ones before its block of 32; sd_mm while these lack.

    What was decided long ago must not be decided anew with each day's estimate.
    """
    sds = np.full(range_mm.size, sd_mm)
    for start in range(0, range_mm.size, BLOCK) if range_mm.size >= BLOCK else ():
        change = np.diff(range_mm[: max(start, BLOCK)])
        found = MAD_TO_SD * float(np.median(np.abs(change))) / 2**0.5
        sds[start : start + BLOCK] = found if found > 0 else sd_mm
    known: Floats = np.maximum(sds, LEAST_SD_MM)
    return known


def _breaks(times: list[float], ranges: list[float], sds: list[float]) -> list[bool | None]:
    """Of each reading whether it breaks with those before it; None where it belongs to the probing before."""
    breaks: list[bool | None] = [False]
    since, last = [ranges[0]], times[0]
    middle = ranges[0]
    for at, range_mm, sd in zip(times[1:], ranges[1:], sds[1:], strict=True):
        broken = abs(range_mm - middle) > BREAK_SD * sd
        if not broken and at - last < HOUR:
            breaks.append(None)
            continue
        last = at
        breaks.append(broken)
        since = [range_mm] if broken else [*since[1 - MEDIAN_OF :], range_mm]
        middle = sorted(since)[len(since) // 2]
    return breaks


def _follow_limit(
    times: list[float], ranges: list[float], breaks: list[bool | None], limit_mm: float, sds: list[float]
) -> _Side:
    side = _Side(above=ranges[0] > limit_mm, since=times[0], run_since=times[0], sum_since=times[0])
    for at, range_mm, broken, sd in zip(times, ranges, breaks, sds, strict=True):
        beyond = range_mm - limit_mm
        strong = abs(beyond) > max(STRONG_SD * sd, STRONG_MM)
        if broken is None and not strong:
            continue
        if broken:
            side.settling, side.said, side.sum_mm = True, None, 0.0
        elif strong and side.confirmed and side.said == side.above == (beyond > 0):
            # The run of most machines most of the time: far from the limit, and nothing new.
            side.settling, side.sum_mm = False, 0.0
            continue
        _weigh(side, at, beyond, strong, sd)
    return side


def _weigh(side: _Side, at: float, beyond_mm: float, strong: bool, sd_mm: float) -> None:
    """One more probing, so far beyond the limit (negative: within it)."""
    above = beyond_mm > 0
    twice = side.said == above
    if not twice:
        side.run_since = at
    side.said = above
    if strong or (side.settling and twice):
        if above != side.above:
            side.above, side.since = above, side.run_since
        side.confirmed, side.settling, side.sum_mm = True, False, 0.0
        return
    if side.settling:
        return
    if side.sum_mm <= 0:
        side.sum_since = at
    side.sum_mm = next_sum(side.sum_mm, -beyond_mm if side.above else beyond_mm, ALLOWANCE_SD * sd_mm)
    if side.sum_mm > DECISION_SD * sd_mm:
        side.above, side.since, side.sum_mm = not side.above, side.sum_since, 0.0
