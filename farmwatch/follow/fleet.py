"""One way in: follow a fleet of machines at once."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from farmwatch.follow.findings import Drift, HistoryFindings
from farmwatch.follow.forecasts import LEAST_READINGS
from farmwatch.follow.forms import forms_of
from farmwatch.follow.outlook import foreseen, run_of
from farmwatch.follow.paths import log_likelihoods
from farmwatch.follow.priors import LEAST_MACHINES, PRIOR, DriftPrior, learned_prior
from farmwatch.follow.reversal import reverse
from farmwatch.follow.segmented import SegmentedBatch, segment_machines
from farmwatch.follow.series import Series, gather
from farmwatch.follow.steps import Tooth, steps_of, suspected_of
from farmwatch.follow.trends import Trend, trend
from farmwatch.measure import MeasuredHistory
from farmwatch.mesh import Floats
from farmwatch.model import Limits, Model

__all__ = ["follow_fleet", "learn_priors"]

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
    priors: Mapping[str, DriftPrior] | None = None,
) -> list[HistoryFindings]:
    """Steps, drift and forecast of machines at `at` (aware), from what was measured of their readings until then.

    `rngs` feed the forecasts' draws; each machine has its own generator, seeded by its name, so that results are those
    of one machine alone (to rounding), whatever the order and company. `tooth_steps`: the rise per tooth and its sd
    where they are learned, in place of the model's (5 % sd). `priors`: by the name of a model of machine what was
    learned of its drift; without, forecasts start from fixed weights. Never raises for what a history holds: what
    cannot be known is None.
    """
    results: list[HistoryFindings] = []
    steps: Sequence[ToothStep] = [(None, None)] * len(machines) if tooth_steps is None else tooth_steps
    for begin in range(0, len(machines), _MACHINES_A_BLOCK):
        some = slice(begin, begin + _MACHINES_A_BLOCK)
        results += _follow_some(machines[some], limits, at, rngs[some], steps[some], priors or {})
    return results


def learn_priors(
    blocks: Iterable[Sequence[MeasuredHistory]], bases: Mapping[str, DriftPrior] | None = None
) -> dict[str, tuple[DriftPrior, int]]:
    """By the name of a model of machine, what its machines' drift is like, and how many told; of 8 machines or more.

    Machines come in blocks, each let go before the next. bases: by model, what other farms have learned, which few
    machines are drawn towards; without, fixed weights. Each machine tells by the readings since its newest step, and
    only what a forecast could be made of counts.
    """
    told: dict[str, list[Floats]] = {}
    for machines in blocks:
        series = gather(machines)
        for members in _alike(series):
            batch = segment_machines([series[i] for i in members])
            for b, one in enumerate(batch.series):
                model = one.measured.model
                run = run_of(batch, b, steps_of(batch, b, Tooth.nominal(model.tooth_step_mm)))
                if run is not None:
                    told.setdefault(model.name, []).append(log_likelihoods(run.t, run.heights, run.noise))
    return {
        name: (learned_prior(np.stack(some), (bases or {}).get(name, PRIOR)), len(some))
        for name, some in told.items()
        if len(some) >= LEAST_MACHINES
    }


def _follow_some(
    machines: Sequence[MeasuredHistory],
    limits: Limits,
    at: datetime,
    rngs: Sequence[np.random.Generator],
    tooth_steps: Sequence[ToothStep],
    priors: Mapping[str, DriftPrior],
) -> list[HistoryFindings]:
    series = gather(machines)
    results: dict[int, HistoryFindings] = {}
    for members in _alike(series):
        batch = segment_machines([series[i] for i in members])
        for b, i in enumerate(members):
            mm, sd = tooth_steps[i]
            tooth = Tooth.nominal(machines[i].model.tooth_step_mm) if mm is None else Tooth.nominal(mm, sd)
            prior = priors.get(machines[i].model.name, PRIOR)
            results[i] = _followed(batch, b, tooth, limits, at, rngs[i], prior)
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
    batch: SegmentedBatch,
    b: int,
    tooth: Tooth | None,
    limits: Limits,
    at: datetime,
    rng: np.random.Generator,
    prior: DriftPrior,
) -> HistoryFindings:
    one, row = batch.series[b], batch.kept[b]
    suspected = suspected_of(batch, b, tooth)
    steps = steps_of(batch, b, tooth)
    # The newest readings stand off: what comes is not told from what was.
    crossings = foreseen(batch, b, limits, at, rng, steps, prior) if suspected is None else None
    return HistoryFindings(
        steps=steps,
        suspected_step=suspected,
        drift=_drift(batch, b),
        forecast=None if crossings is None else crossings.forecast(at),
        crossings=crossings,
        reversal=reverse(forms_of(one, row), _centre(one.measured.model)),
    )


def _trends(batch: SegmentedBatch, b: int) -> tuple[Trend, ...]:
    run = batch.running(b)
    if run.stop - run.start < _LEAST_SEGMENT:
        return ()
    offsets = batch.lines.coefficients[batch.last_line(b), 2:]
    heights = batch.u[b, run] - batch.extra[b, run] @ offsets
    return trend(batch.t[b, run], heights, float(batch.correlation[b]))


def _drift(batch: SegmentedBatch, b: int) -> Drift | None:
    run, trends = batch.running(b), _trends(batch, b)
    if not trends:
        return None
    readings = int(batch.series[b].size[batch.kept[b][run]].sum())
    if readings < LEAST_READINGS:
        return None
    names = _movable(batch.series[b].measured.model)
    week = [(name, one.slope * 7.0, (one.low * 7.0, one.high * 7.0)) for name, one in zip(names, trends, strict=True)]
    return Drift(
        since=batch.series[b].at(int(batch.kept[b][run.start])),
        readings=readings,
        mm_per_week={name: slope for name, slope, _ in week},
        significant=any(one.significant for one in trends),
        interval={name: ends for name, _, ends in week},
    )


def _centre(model: Model) -> tuple[float, float] | None:
    if model.bed is None:
        return None
    x0, y0, x1, y1 = model.bed
    return (x0 + x1) / 2, (y0 + y1) / 2


def _movable(model: Model) -> tuple[str, ...]:
    return tuple(model.screws[i].name for i in model.movable)
