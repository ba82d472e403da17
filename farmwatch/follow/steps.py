"""Steps: sudden changes, sized with their standard deviation and named."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from farmwatch.follow.findings import Step, StepName
from farmwatch.follow.forms import form_changed
from farmwatch.follow.lines import Lines
from farmwatch.follow.rigid_beds import SCREWS_OF_A_PLANE, single_move
from farmwatch.follow.segmented import SegmentedBatch, segments_of
from farmwatch.follow.series import DAY, Series
from farmwatch.follow.sizing import FoundStep, proven, size_of, sized_steps
from farmwatch.mesh import Floats

__all__ = ["FoundStep", "Tooth", "find_steps", "steps_of", "suspected_of"]

Ints = NDArray[np.intp]

_NAMED_WITHIN_SD = 3.0
_NAMED_WITHIN_STEP = 0.25
# A jump stirs the other screws by so much of a tooth; and a plate's own height, where it is newly known, is as unsure.
_STIRRED_STEP = 0.05
UNLEARNED_STEP_SD = 0.05
_BY_HAND = ("belt", "pulley", "moved")
# A note is often entered after the mesh that shows the work.
_NOTE_LATE_DAYS = 0.5


@dataclass(frozen=True, slots=True)
class Tooth:
    """The tooth step of a machine, mm, and how sure it is."""

    mm: float
    sd_mm: float

    @classmethod
    def nominal(cls, mm: float | None, sd_mm: float | None = None) -> Tooth | None:
        """A tooth step with a standard deviation of 5 % unless it is learned; None where it is not known."""
        if mm is None or not mm > 0:
            return None
        return cls(mm, UNLEARNED_STEP_SD * mm if sd_mm is None else sd_mm)


def find_steps(days: ArrayLike, u: ArrayLike, sigma_mm: float = 0.001) -> list[FoundStep]:
    """Steps in heights u `[n]` or `[n, m]` (mm) over times `[n]` (days, ascending); none from fewer than 6 readings.

    Noise and autocorrelation are learned from the series itself; `sigma_mm` is the least noise that is believed.
    `first_after` counts in the readings handed in; readings with NaN, and ones that stand alone, are passed over.
    Raises ValueError where the shapes do not fit or the times descend.
    """
    t, heights = np.asarray(days, dtype=np.float64), np.asarray(u, dtype=np.float64)
    heights = heights[:, None] if heights.ndim == 1 else heights
    if t.ndim != 1 or heights.ndim != 2 or len(heights) != t.size:
        raise ValueError(f"times of shape {t.shape} do not fit heights of shape {heights.shape}")
    rows = np.flatnonzero(np.isfinite(heights).all(axis=1) & np.isfinite(t))
    if (np.diff(t[rows]) < 0).any():
        raise ValueError("times must ascend")
    if rows.size < 2:
        return []
    kept, starts, lines, noise = segments_of(t[rows], heights[rows], sigma_mm)
    sized = sized_steps(t[rows][kept], heights[rows][kept], np.zeros((kept.size, 0)), starts, lines, noise)
    return [replace(step, first_after=int(rows[kept[step.first_after]])) for step in sized if proven(step)]


def steps_of(batch: SegmentedBatch, b: int, tooth: Tooth | None) -> tuple[Step, ...]:
    """Steps of machine `b` of a batch, named, in time order; another form alone is one too (`plate-change`)."""
    starts, one, row, n = batch.starts[b], batch.series[b], batch.kept[b], int(batch.length[b])
    changes = np.flatnonzero(np.isin(row, one.plate_changes))
    changes = changes[changes > 0]
    if len(starts) < 2 and not changes.size:
        return ()
    noise = batch.noise[b] * _of_means(float(batch.correlation[b]))
    sized = sized_steps(batch.t[b, :n], batch.u[b, :n], batch.extra[b, :n], starts, _lines_of(batch, b), noise)
    found = []
    for step in filter(proven, sized):
        at = step.first_after
        changed = bool((np.abs(changes - at) <= 1).any()) or form_changed(one, row[:at], row[at:])
        changes = changes[np.abs(changes - at) > 1]
        found.append(_named(step, one, int(row[at - 1]), int(row[at]), tooth, changed))
    for change in changes.tolist():
        step = _sized_alone(batch, b, change, noise)
        found.append(_named(step, one, int(row[change - 1]), int(row[change]), tooth, True))
    return tuple(sorted(found, key=lambda step: step.at))


def suspected_of(batch: SegmentedBatch, b: int, tooth: Tooth | None) -> Step | None:
    """The newest one or two readings stand off from the running segment by more than it and their noise allow."""
    one, tail, row = batch.series[b], batch.tail[b], batch.kept[b]
    if not tail.size or row.size < 3:
        return None
    own, last = _lines_of(batch, b), len(batch.starts[b]) - 1
    others = [k for k in range(len(one.celsius)) if k != one.band[one.rows[-1]]]
    design = np.concatenate(
        [[1.0, one.days[tail].mean() - own.middle[last]], [float((one.band[tail] == k).mean()) for k in others]]
    )
    off = one.u[tail].mean(axis=0) - design @ own.coefficients[last]
    spread = 1.0 / tail.size + float(design @ own.cofactor[last] @ design)
    step = FoundStep(0, off, batch.noise[b] * spread * _of_means(float(batch.correlation[b])))
    if not proven(step):
        return None
    return _named(step, one, int(row[-1]), int(tail[0]), tooth, False)


def _of_means(correlation: float) -> float:
    """Variance of a mean of AR(1) readings over that of independent ones."""
    return (1.0 + correlation) / (1.0 - correlation)


def _lines_of(batch: SegmentedBatch, b: int) -> Lines:
    begin = int(batch.first_line[b])
    some = slice(begin, begin + len(batch.starts[b]))
    lines = batch.lines
    return Lines(
        lines.middle[some], lines.coefficients[some], lines.cofactor[some], np.zeros((0, 0)), lines.count[some],
        lines.rank[some],
    )  # fmt: skip


def _sized_alone(batch: SegmentedBatch, b: int, at: int, noise: Floats) -> FoundStep:
    """Size of what the heights did at a reading that is no break of theirs, within its segment."""
    k = int(np.searchsorted(batch.starts[b], at, side="right")) - 1
    begin, end = int(batch.starts[b][k]), int([*batch.starts[b][1:], batch.length[b]][k])
    after = (np.arange(begin, end) >= at).astype(np.float64)[:, None]
    extra = np.concatenate([batch.extra[b, begin:end], after], axis=1)
    return size_of(at, batch.t[b, begin:end], extra, batch.u[b, begin:end], noise)


def _named(step: FoundStep, one: Series, before: int, after: int, tooth: Tooth | None, form_changed: bool) -> Step:
    """Name a step between the readings `before` and `after` of a machine."""
    names = [one.measured.model.screws[i].name for i in one.measured.model.movable]
    sd = np.sqrt(np.diagonal(step.covariance))
    largest = int(np.abs(step.mm).argmax())
    at = one.at(after)

    def told(name: StepName, screw: str | None, mm: float, sd_mm: float, teeth: int | None = None) -> Step:
        return Step(at=at, name=name, screw=screw, mm=mm, teeth=teeth, sd_mm=sd_mm)

    model = one.measured.model
    single = names[largest] if _alone_moved(step.mm, sd, largest) else None
    mm, sd_mm = float(step.mm[largest]), float(sd[largest])
    if len(model.screws) > SCREWS_OF_A_PLANE:
        return _named_on_four(step, one, before, after, tooth, form_changed)
    if _worked_at(one, before, after):
        return told("repair", single, mm, sd_mm)
    if form_changed:
        return told("plate-change", None, mm, sd_mm)
    jump = None if tooth is None or one.measured.model.drive != "belt" else _tooth_jump(step, sd, tooth)
    if jump is not None:
        screw, mm, sd_mm, teeth = jump
        reference = model.screws[model.reference_index].name
        name = reference if screw < 0 else names[screw]
        # Two screws hold a line: one up and the other down are one and the same to it.
        also = ((reference, -teeth),) if len(model.screws) == 2 else ()
        return replace(told("tooth-jump", name, mm, sd_mm, teeth), also=also)
    known = one.returning[before] and one.returning[after]
    if one.plate_epoch[before] != one.plate_epoch[after] and not known:
        return told("plate-change", None, mm, sd_mm)
    return told("shift", single, mm, sd_mm)


def _named_on_four(
    step: FoundStep, one: Series, before: int, after: int, tooth: Tooth | None, form_changed: bool
) -> Step:
    """A step of a rigid bed on four screws or more: a screw is named with those that would have done the same."""
    model = one.measured.model
    movable = list(model.movable)
    rise, covariance = np.zeros(len(model.screws)), np.zeros((len(model.screws), len(model.screws)))
    rise[movable] = step.mm
    covariance[np.ix_(movable, movable)] = step.covariance
    # A real bed bends a little: what is off by less than a part of a tooth is still one screw's.
    where = np.asarray(model.screws_xy)
    apart = where - where[model.reference_index]
    slack = _NAMED_WITHIN_STEP / _NAMED_WITHIN_SD * (tooth.mm if tooth else float(np.abs(step.mm).max()))
    covariance += slack**2 * (apart @ apart.T) / float(np.sum(apart**2, axis=1).max())
    found = single_move(model.screws_xy, model.reference_index, rise, covariance)
    largest = int(np.abs(rise).argmax())
    named = Step(
        at=one.at(after), name="shift", screw=None, mm=float(rise[largest]), teeth=None,
        sd_mm=float(np.sqrt(np.diagonal(step.covariance)).max()),
    )  # fmt: skip
    if found is not None:
        which = int(np.flatnonzero(found.rise_mm)[0])
        also = tuple((model.screws[i].name, None) for i in found.also)
        named = replace(
            named,
            screw=model.screws[which].name,
            mm=float(found.rise_mm[which]),
            sd_mm=float(found.sd_mm[which]),
            also=also,
        )
    if _worked_at(one, before, after):
        return replace(named, name="repair")
    if form_changed:
        return replace(named, name="plate-change", screw=None, also=())
    teeth = 0 if tooth is None or model.drive != "belt" or found is None else round(named.mm / tooth.mm)
    if tooth is not None and teeth:
        own = _NAMED_WITHIN_SD * float(np.hypot(named.sd_mm or 0.0, teeth * tooth.sd_mm))
        if abs(named.mm - teeth * tooth.mm) <= min(max(own, slack), _NAMED_WITHIN_STEP * tooth.mm):
            across: tuple[tuple[str, int | None], ...] = tuple((name, -teeth) for name, _ in named.also)
            return replace(named, name="tooth-jump", teeth=teeth, also=across)
    if one.plate_epoch[before] != one.plate_epoch[after]:
        return replace(named, name="plate-change", screw=None, also=())
    return named


def _alone_moved(mm: Floats, sd: Floats, which: int) -> bool:
    rest = np.delete(mm, which)
    within = np.minimum(np.maximum(_NAMED_WITHIN_SD * np.delete(sd, which), 0.01), abs(mm[which]) / 2)
    return bool((np.abs(rest) <= within).all())


def _tooth_jump(step: FoundStep, sd: Floats, tooth: Tooth) -> tuple[int, float, float, int] | None:
    """(screw, mm, sd, teeth) of the whole teeth at one screw that explain a step best; screw −1 is the reference.

    When every movable screw moved by the same amount, it was the reference that jumped, the other way.
    """
    m = len(step.mm)
    tried = [(i, np.eye(m)[i], float(step.mm[i]), float(sd[i])) for i in range(m)]
    if m > 1:
        ones = np.ones(m)
        weights = np.linalg.solve(step.covariance, ones)
        tried.append((-1, -ones, -float(weights @ step.mm / weights.sum()), float(1.0 / np.sqrt(weights.sum()))))
    best: tuple[float, tuple[int, float, float, int]] | None = None
    for screw, way, mm, own_sd in tried:
        teeth = round(mm / tooth.mm)
        if teeth == 0:
            continue
        within = min(_NAMED_WITHIN_SD * float(np.hypot(own_sd, teeth * tooth.sd_mm)), _NAMED_WITHIN_STEP * tooth.mm)
        rest = step.mm - mm * way
        others = np.clip(_NAMED_WITHIN_SD * sd, _STIRRED_STEP * tooth.mm, _NAMED_WITHIN_STEP * tooth.mm)
        if abs(mm - teeth * tooth.mm) > within or (np.abs(rest) > others).any():
            continue
        spread = step.covariance + np.outer(way, way) * (teeth * tooth.sd_mm) ** 2
        off = step.mm - teeth * tooth.mm * way
        distance = float(off @ np.linalg.solve(spread, off))
        if best is None or distance < best[0]:
            best = (distance, (screw, mm, own_sd, teeth))
    return None if best is None else best[1]


def _worked_at(one: Series, before: int, after: int) -> bool:
    """Whether a ticket's work, or a repair noted by hand, lies between the two readings."""
    left, right = float(one.measured.history.taken_at[before]), float(one.measured.history.taken_at[after])
    for work in one.measured.history.works:
        if work.start.timestamp() <= right and (work.end is None or work.end.timestamp() >= left):
            return True
    late = _NOTE_LATE_DAYS * DAY
    return any(
        left <= note.at.timestamp() <= right + late for note in one.measured.history.notes if note.what in _BY_HAND
    )
