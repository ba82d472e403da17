"""One way in: follow one machine, or a fleet of them at once."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, timedelta
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from farmwatch.follow.block import Block, lay_out
from farmwatch.follow.chart import moved_chart
from farmwatch.follow.findings import Drift, Forecast
from farmwatch.follow.followed import Bands, ChartState, Followed, Noise, Trace
from farmwatch.follow.forecast import (
    DRAWS,
    HORIZON_DAYS,
    LEAST_DAYS,
    LEAST_READINGS,
    draw_lines,
    first_crossing,
    of_crossings,
)  # fmt: skip
from farmwatch.follow.forms import forms_of, mean_form
from farmwatch.follow.lines import ranges_of
from farmwatch.follow.reversal import reverse
from farmwatch.follow.series import DAY, Series, gather
from farmwatch.follow.steps import Tooth, steps_of, suspected_of
from farmwatch.follow.trend import Trend, trend
from farmwatch.history import History
from farmwatch.measure import grid_points, influence
from farmwatch.mesh import Floats
from farmwatch.model import Limits, Model

__all__ = ["follow_fleet", "follow_machine"]

Ints = NDArray[np.intp]

ToothStep = tuple[float | None, float | None]

# Machines gathered at once, and what the costs of their segments may take together.
_MACHINES_A_BLOCK = 256
_PAIRS_A_BLOCK = 3_000_000
_LEAST_SEGMENT = 3


def follow_machine(
    history: History,
    model: Model,
    limits: Limits,
    at: datetime,
    rng: np.random.Generator,
    *,
    tooth_step_mm: float | None = None,
    tooth_step_sd_mm: float | None = None,
) -> Followed:
    """Steps, drift and forecast of one machine from its readings at or before `at` (aware).

    `rng` feeds the forecast's draws; give each machine its own, seeded by its name, and the order of machines never
    matters. `tooth_step_mm` and its sd replace the model's nominal tooth step (5 % sd) once it is learned.
    Never raises for what a history holds: what cannot be known is None, with the reason beside it.
    """
    return follow_fleet([history], [model], limits, at, [rng], tooth_steps=[(tooth_step_mm, tooth_step_sd_mm)])[0]


def follow_fleet(
    histories: Sequence[History],
    models: Sequence[Model],
    limits: Limits,
    at: datetime,
    rngs: Sequence[np.random.Generator],
    *,
    tooth_steps: Sequence[ToothStep] | None = None,
) -> list[Followed]:
    """`follow_machine` for many: one model and one generator per history, worked through in blocks.

    Results are those of one machine alone (to rounding), whatever the order and company.
    """
    results: list[Followed] = []
    steps: Sequence[ToothStep] = [(None, None)] * len(histories) if tooth_steps is None else tooth_steps
    for begin in range(0, len(histories), _MACHINES_A_BLOCK):
        some = slice(begin, begin + _MACHINES_A_BLOCK)
        results += _follow_some(histories[some], models[some], limits, at, rngs[some], steps[some])
    return results


def _follow_some(
    histories: Sequence[History],
    models: Sequence[Model],
    limits: Limits,
    at: datetime,
    rngs: Sequence[np.random.Generator],
    tooth_steps: Sequence[ToothStep],
) -> list[Followed]:
    series = gather(histories, models, at)
    results: dict[int, Followed] = {}
    for members in _alike(series):
        block = lay_out([series[i] for i in members])
        for b, i in enumerate(members):
            mm, sd = tooth_steps[i]
            tooth = Tooth.nominal(models[i].tooth_step_mm) if mm is None else Tooth.nominal(mm, sd)
            results[i] = _followed(block, b, tooth, limits, at, rngs[i])
    for i, one in enumerate(series):
        if i not in results:
            results[i] = _not_followed(one, at)
    return [results[i] for i in range(len(series))]


def _alike(series: Sequence[Series]) -> Iterator[list[int]]:
    """Machines with equally many screws and bands, of like length, as many as a block holds."""
    size = [int(one.used.sum()) for one in series]
    kinds: dict[tuple[int, int], list[int]] = {}
    for i, one in enumerate(series):
        if size[i]:
            kinds.setdefault((one.u.shape[1], len(one.celsius)), []).append(i)
    for members in kinds.values():
        block: list[int] = []
        for i in sorted(members, key=lambda i: (size[i], i)):
            if block and (len(block) + 1) * min(size[i], 300) ** 2 > _PAIRS_A_BLOCK:
                yield block
                block = []
            block.append(i)
        yield block


def _followed(
    block: Block, b: int, tooth: Tooth | None, limits: Limits, at: datetime, rng: np.random.Generator
) -> Followed:
    one, row = block.series[b], block.kept[b]
    screws = _movable(one.model)
    suspected = suspected_of(block, b, tooth)
    trends = _trends(block, b)
    drift, why_no_drift = _drift(block, b, trends)
    forms = forms_of(one, row)
    forecast, why_no_forecast = _forecast(block, b, limits, at, rng, suspected is not None)
    reversal, why_no_reversal = reverse(forms, _centre(one.model))
    return Followed(
        machine=one.history.machine,
        at=at,
        screws=screws,
        trace=_trace(one, row, ranges_of(block.starts[b], row.size)),
        steps=steps_of(block, b, tooth),
        suspected_step=suspected,
        drift=drift,
        why_no_drift=why_no_drift,
        trends=dict(zip(screws, trends, strict=False)),
        forecast=forecast,
        why_no_forecast=why_no_forecast,
        noise=Noise(
            point_sigma_mm=one.point_sigma_mm,
            point_sigma_from=one.point_sigma_from,
            screw_covariance=block.noise[b],
            correlation=float(block.correlation[b]),
            readings=int(row.size),
        ),
        bands=_bands(block, b),
        chart=_chart(block, b),
        forms=forms,
        reversal=reversal,
        why_no_reversal=why_no_reversal,
    )


def _not_followed(one: Series, at: datetime) -> Followed:
    why = "no reading yet" if not len(one.history) else "no reading that counts: " + one.left_out[-1]
    return Followed(
        machine=one.history.machine,
        at=at,
        screws=_movable(one.model),
        trace=_trace(one, np.zeros(0, dtype=np.intp), np.zeros(0, dtype=np.intp)),
        why_no_drift=why,
        why_no_forecast=why,
        why_no_reversal=why,
    )


def _running(block: Block, b: int) -> slice:
    """The kept readings of the segment that still runs."""
    return slice(int(block.starts[b][-1]), int(block.length[b]))


def _line(block: Block, b: int) -> int:
    """Number of the line of the segment that still runs."""
    return int(block.first_line[b]) + len(block.starts[b]) - 1


def _trends(block: Block, b: int) -> tuple[Trend, ...]:
    run = _running(block, b)
    if run.stop - run.start < _LEAST_SEGMENT:
        return ()
    offsets = block.lines.coefficients[_line(block, b), 2:]
    heights = block.u[b, run] - block.extra[b, run] @ offsets
    return trend(block.t[b, run], heights, float(block.correlation[b]))


def _drift(block: Block, b: int, trends: Sequence[Trend]) -> tuple[Drift | None, str]:
    run, row = _running(block, b), block.kept[b]
    n = run.stop - run.start
    if not trends:
        if n < _LEAST_SEGMENT:
            return None, f"{n} readings since {_since(block, b):%Y-%m-%d}; a drift wants {_LEAST_SEGMENT}"
        return None, "all readings are of one time"
    names = _movable(block.series[b].model)
    week = [(name, one.slope * 7.0, (one.low * 7.0, one.high * 7.0)) for name, one in zip(names, trends, strict=True)]
    drift = Drift(
        since=_time(block.series[b], int(row[run.start])),
        readings=n,
        mm_per_week={name: slope for name, slope, _ in week},
        significant=any(one.significant for one in trends),
        interval={name: ends for name, _, ends in week},
    )
    return drift, ""


def _forecast(
    block: Block, b: int, limits: Limits, at: datetime, rng: np.random.Generator, suspected: bool
) -> tuple[Forecast | None, str]:
    run, one = _running(block, b), block.series[b]
    n, days = run.stop - run.start, float(block.t[b, run.stop - 1] - block.t[b, run.start])
    if n < LEAST_READINGS or days < LEAST_DAYS:
        return None, (
            f"{n} readings over {days:.0f} days since {_since(block, b):%Y-%m-%d}; "
            f"a forecast wants {LEAST_READINGS} over {LEAST_DAYS:.0f}"
        )
    if suspected:
        return None, "the newest readings stand off: a step is suspected"
    form = _trend_form(block, b)
    if form is None:
        return None, "the form of the bed is not known"
    here = np.isfinite(form)
    phi = float(block.fair_correlation[b])
    line, lines = _line(block, b), block.lines
    machine_freedom = int(block.length[b]) - int(lines.rank[int(block.first_line[b]) : line + 1].sum())
    freedom = max(3.0, float(machine_freedom))
    now = (at.timestamp() - float(one.history.taken_at[0])) / DAY
    level, slope = draw_lines(
        lines.coefficients[line],
        lines.cofactor[line],
        block.noise[b] * (1.0 + phi) / (1.0 - phi),
        freedom,
        now - float(lines.middle[line]),
        rng,
        DRAWS,
    )
    shares = _shares(one)[:, here.ravel()]
    return of_crossings(first_crossing(level, slope, form[here], shares, limits.usable_mm, HORIZON_DAYS)), ""


def _trend_form(block: Block, b: int) -> Floats | None:
    """Mean form `[r, c]` in the running segment of the plate that lies now, as it lies now."""
    one, run = block.series[b], block.kept[b][_running(block, b)]
    same = run[one.lie[run] == one.lie[run[-1]]]
    alike = same[one.grid[same] == one.grid[same[-1]]]
    mean = mean_form(one.form[alike if alike.size >= _LEAST_SEGMENT else same])
    return mean if np.isfinite(mean).sum() >= 3 else None


def _shares(one: Series) -> Floats:
    """What a height at each movable screw adds to every point of the form's grid, `[m, points]`."""
    screws = tuple((screw.x_mm, screw.y_mm) for screw in one.model.screws)
    return _shares_on(screws, one.model.reference_index, one.x.tobytes(), one.y.tobytes())


@lru_cache(maxsize=64)
def _shares_on(screws: tuple[tuple[float, float], ...], reference: int, x: bytes, y: bytes) -> Floats:
    shares: Floats = influence(np.array(screws), reference, *grid_points(np.frombuffer(x), np.frombuffer(y)))
    return np.delete(shares, reference, axis=0)


def _chart(block: Block, b: int) -> ChartState | None:
    run, one = _running(block, b), block.series[b]
    offsets = block.lines.coefficients[_line(block, b), 2:]
    heights = block.u[b, run] - block.extra[b, run] @ offsets
    chart = moved_chart(heights, np.sqrt(np.diagonal(block.noise[b])), float(block.correlation[b]))
    if chart is None:
        return None
    names = _movable(one.model)
    worst = int((np.abs(chart.value) / chart.limit).argmax())
    out = int(chart.out_since[worst])
    return ChartState(
        moved=out >= 0,
        screw=names[worst] if out >= 0 else None,
        since=_time(one, int(block.kept[b][run.start + out])) if out >= 0 else None,
        value_mm=dict(zip(names, chart.value.tolist(), strict=True)),
        limit_mm=dict(zip(names, chart.limit.tolist(), strict=True)),
    )


def _bands(block: Block, b: int) -> Bands:
    one, line = block.series[b], _line(block, b)
    latest = int(one.band[np.flatnonzero(one.used)[-1]])
    offsets = np.full((len(one.celsius), one.u.shape[1]), np.nan)
    offsets[latest] = 0.0
    others = [band for band in range(len(one.celsius)) if band != latest]
    for place, band in enumerate(others):
        if block.lines.cofactor[line, 2 + place, 2 + place] > 0:
            offsets[band] = block.lines.coefficients[line, 2 + place]
    return Bands(of_reading=one.band, celsius=one.celsius, offsets_mm=offsets)


def _trace(one: Series, kept: Ints, segment: Ints) -> Trace:
    number = np.full(len(one.history), -1, dtype=np.intp)
    number[kept] = segment
    return Trace(
        at=one.history.taken_at,
        range_mm=one.range_mm,
        u=one.u,
        used=one.used,
        left_out=one.left_out,
        segment=number,
    )


def _since(block: Block, b: int) -> datetime:
    return _time(block.series[b], int(block.kept[b][int(block.starts[b][-1])]))


def _time(one: Series, reading: int) -> datetime:
    return datetime.fromtimestamp(0, UTC) + timedelta(seconds=float(one.history.taken_at[reading]))


def _centre(model: Model) -> tuple[float, float] | None:
    if model.bed is None:
        return None
    x0, y0, x1, y1 = model.bed
    return (x0 + x1) / 2, (y0 + y1) / 2


def _movable(model: Model) -> tuple[str, ...]:
    return tuple(model.screws[i].name for i in model.movable)
