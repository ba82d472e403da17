"""One way in: follow a fleet of machines at once."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from farmwatch.follow.findings import Crossings, Drift, HistoryFindings, Step
from farmwatch.follow.forecasts import (
    DRAWS,
    LEAST_DAYS,
    LEAST_READINGS,
    crossings_of,
    origin_of,
)  # fmt: skip
from farmwatch.follow.forms import forms_of, mean_form
from farmwatch.follow.paths import draw_paths, path_crossings
from farmwatch.follow.reversal import reverse
from farmwatch.follow.segmented import SegmentedBatch, segment_machines
from farmwatch.follow.series import DAY, Series, gather
from farmwatch.follow.steps import Tooth, steps_of, suspected_of
from farmwatch.follow.trends import Trend, trend
from farmwatch.measure import MeasuredHistory, grid_points, influence
from farmwatch.mesh import Floats
from farmwatch.model import Limits, Model
from farmwatch.times import from_epoch

__all__ = ["follow_fleet"]

Ints = NDArray[np.intp]

ToothStep = tuple[float | None, float | None]

# Machines gathered at once, and what the costs of their segments may take together.
_MACHINES_A_BLOCK = 256
_PAIRS_A_BLOCK = 3_000_000
_LEAST_SEGMENT = 3


def follow_fleet(
    machines: Sequence[MeasuredHistory],
    limits: Limits,
    at: datetime,
    rngs: Sequence[np.random.Generator],
    *,
    tooth_steps: Sequence[ToothStep] | None = None,
) -> list[HistoryFindings]:
    """Steps, drift and forecast of machines at `at` (aware), from what was measured of their readings until then.

    `rngs` feed the forecasts' draws; each machine has its own generator, seeded by its name, so that results are those
    of one machine alone (to rounding), whatever the order and company. `tooth_steps`: the rise per tooth and its sd
    where they are learned, in place of the model's (5 % sd). Never raises for what a history holds: what cannot be
    known is None.
    """
    results: list[HistoryFindings] = []
    steps: Sequence[ToothStep] = [(None, None)] * len(machines) if tooth_steps is None else tooth_steps
    for begin in range(0, len(machines), _MACHINES_A_BLOCK):
        some = slice(begin, begin + _MACHINES_A_BLOCK)
        results += _follow_some(machines[some], limits, at, rngs[some], steps[some])
    return results


def _follow_some(
    machines: Sequence[MeasuredHistory],
    limits: Limits,
    at: datetime,
    rngs: Sequence[np.random.Generator],
    tooth_steps: Sequence[ToothStep],
) -> list[HistoryFindings]:
    series = gather(machines)
    results: dict[int, HistoryFindings] = {}
    for members in _alike(series):
        batch = segment_machines([series[i] for i in members])
        for b, i in enumerate(members):
            mm, sd = tooth_steps[i]
            tooth = Tooth.nominal(machines[i].model.tooth_step_mm) if mm is None else Tooth.nominal(mm, sd)
            results[i] = _followed(batch, b, tooth, limits, at, rngs[i])
    return [results.get(i, HistoryFindings()) for i in range(len(series))]


def _alike(series: Sequence[Series]) -> Iterator[list[int]]:
    """Machines with equally many screws and bands, of like length, as many as a batch holds."""
    size = [one.rows.size for one in series]
    kinds: dict[tuple[int, int], list[int]] = {}
    for i, one in enumerate(series):
        if size[i]:
            kinds.setdefault((one.u.shape[1], len(one.celsius)), []).append(i)
    for members in kinds.values():
        batch: list[int] = []
        for i in sorted(members, key=lambda i: (size[i], i)):
            if batch and (len(batch) + 1) * min(size[i], 300) ** 2 > _PAIRS_A_BLOCK:
                yield batch
                batch = []
            batch.append(i)
        yield batch


def _followed(
    batch: SegmentedBatch, b: int, tooth: Tooth | None, limits: Limits, at: datetime, rng: np.random.Generator
) -> HistoryFindings:
    one, row = batch.series[b], batch.kept[b]
    suspected = suspected_of(batch, b, tooth)
    steps = steps_of(batch, b, tooth)
    # The newest readings stand off: what comes is not told from what was.
    crossings = _crossings(batch, b, limits, at, rng, steps) if suspected is None else None
    return HistoryFindings(
        steps=steps,
        suspected_step=suspected,
        drift=_drift(batch, b),
        forecast=None if crossings is None else crossings.forecast(at),
        crossings=crossings,
        reversal=reverse(forms_of(one, row), _centre(one.measured.model)),
    )


def _running(batch: SegmentedBatch, b: int) -> slice:
    """The kept readings of the segment that still runs."""
    return slice(int(batch.starts[b][-1]), int(batch.length[b]))


def _line(batch: SegmentedBatch, b: int) -> int:
    """Number of the line of the segment that still runs."""
    return int(batch.first_line[b]) + len(batch.starts[b]) - 1


def _trends(batch: SegmentedBatch, b: int) -> tuple[Trend, ...]:
    run = _running(batch, b)
    if run.stop - run.start < _LEAST_SEGMENT:
        return ()
    offsets = batch.lines.coefficients[_line(batch, b), 2:]
    heights = batch.u[b, run] - batch.extra[b, run] @ offsets
    return trend(batch.t[b, run], heights, float(batch.correlation[b]))


def _drift(batch: SegmentedBatch, b: int) -> Drift | None:
    run, trends = _running(batch, b), _trends(batch, b)
    if not trends:
        return None
    names = _movable(batch.series[b].measured.model)
    week = [(name, one.slope * 7.0, (one.low * 7.0, one.high * 7.0)) for name, one in zip(names, trends, strict=True)]
    return Drift(
        since=batch.series[b].at(int(batch.kept[b][run.start])),
        readings=int(batch.series[b].size[batch.kept[b][run]].sum()),
        mm_per_week={name: slope for name, slope, _ in week},
        significant=any(one.significant for one in trends),
        interval={name: ends for name, _, ends in week},
    )


def _crossings(
    batch: SegmentedBatch, b: int, limits: Limits, at: datetime, rng: np.random.Generator, steps: Sequence[Step]
) -> Crossings | None:
    run, one = _running(batch, b), batch.series[b]
    n, days = run.stop - run.start, float(batch.t[b, run.stop - 1] - batch.t[b, run.start])
    form = _trend_form(batch, b)
    if n < LEAST_READINGS or days < LEAST_DAYS or form is None:
        return None
    here = np.isfinite(form)
    phi = float(batch.fair_correlation[b])
    line, lines = _line(batch, b), batch.lines
    machine_freedom = int(batch.length[b]) - int(lines.rank[int(batch.first_line[b]) : line + 1].sum())
    freedom = max(3.0, float(machine_freedom))
    taken = one.measured.history.taken_at
    origin = origin_of(float(taken[-1]), at.timestamp())
    now = (origin - float(taken[0])) / DAY
    begin = _since_step(batch, b, steps)
    run = slice(begin, run.stop)
    heights = batch.u[b, run] - batch.extra[b, run] @ lines.coefficients[line, 2:]
    noise = batch.noise[b] * (1.0 + phi) / (1.0 - phi)
    path = draw_paths(batch.t[b, run] - now, heights, noise, freedom, rng, DRAWS)
    shares = _shares(one)[:, here.ravel()]
    return crossings_of(path_crossings(path, form[here], shares, limits.usable_mm), from_epoch(origin))


def _since_step(batch: SegmentedBatch, b: int, steps: Sequence[Step]) -> int:
    """The first kept reading since the newest step: a mere change of slope ends no drift."""
    if not steps:
        return 0
    taken = batch.series[b].measured.history.taken_at[batch.kept[b]]
    return min(int(np.searchsorted(taken, steps[-1].at.timestamp() - 0.5)), int(batch.starts[b][-1]))


def _trend_form(batch: SegmentedBatch, b: int) -> Floats | None:
    """Mean form `[r, c]` of the plate that lies now, as it lies now and as warm, in the running segment."""
    one, run = batch.series[b], batch.kept[b][_running(batch, b)]
    last = run[-1]
    # A plate that lies here in turn with others keeps its form, whatever else moved meanwhile.
    same = batch.kept[b] if one.returning[last] else run
    same = same[one.plate_epoch[same] == one.plate_epoch[last]]
    for alike in (one.grid == one.grid[last], one.band == one.band[one.rows[-1]]):
        few = same[alike[same]]
        same = few if few.size >= _LEAST_SEGMENT else same
    mean = mean_form(one.measured.form[same])
    return mean if np.isfinite(mean).sum() >= 3 else None


def _shares(one: Series) -> Floats:
    """What a height at each movable screw adds to every point of the form's grid, `[m, points]`."""
    screws = one.measured.model.screws_xy
    return _shares_on(screws, one.measured.model.reference_index, one.measured.x.tobytes(), one.measured.y.tobytes())


@lru_cache(maxsize=64)
def _shares_on(screws: tuple[tuple[float, float], ...], reference: int, x: bytes, y: bytes) -> Floats:
    shares: Floats = influence(np.array(screws), reference, *grid_points(np.frombuffer(x), np.frombuffer(y)))
    return np.delete(shares, reference, axis=0)


def _centre(model: Model) -> tuple[float, float] | None:
    if model.bed is None:
        return None
    x0, y0, x1, y1 = model.bed
    return (x0 + x1) / 2, (y0 + y1) / 2


def _movable(model: Model) -> tuple[str, ...]:
    return tuple(model.screws[i].name for i in model.movable)
