"""What comes of a machine: the readings that tell it, and the forecast made of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache

import numpy as np

from farmwatch.follow.findings import Crossings, Step
from farmwatch.follow.forecasts import DRAWS, LEAST_DAYS, LEAST_READINGS, crossings_of, origin_of
from farmwatch.follow.forms import mean_form
from farmwatch.follow.paths import draw_paths, path_crossings
from farmwatch.follow.priors import DriftPrior
from farmwatch.follow.segmented import SegmentedBatch
from farmwatch.follow.series import DAY, Series
from farmwatch.measure import grid_points, influence
from farmwatch.mesh import Floats
from farmwatch.model import Limits
from farmwatch.times import from_epoch

__all__ = ["Run", "foreseen", "run_of"]

_LEAST_SEGMENT = 3


@dataclass(frozen=True, slots=True, eq=False)
class Run:
    """The readings since the newest step, as forecasts take them."""

    t: Floats
    """`[n]` days since the first reading of the machine."""
    heights: Floats
    noise: Floats
    """`[m, m]` covariance of one reading, autocorrelation allowed for."""
    freedom: float


def run_of(batch: SegmentedBatch, b: int, steps: Sequence[Step]) -> Run | None:
    """Of machine `b`; None where too little is there to tell what comes."""
    run, line, lines = batch.running(b), batch.last_line(b), batch.lines
    if run.stop - run.start < LEAST_READINGS or batch.t[b, run.stop - 1] - batch.t[b, run.start] < LEAST_DAYS:
        return None
    phi = float(batch.fair_correlation[b])
    machine_freedom = int(batch.length[b]) - int(lines.rank[int(batch.first_line[b]) : line + 1].sum())
    since = slice(_since_step(batch, b, steps), run.stop)
    return Run(
        t=batch.t[b, since],
        heights=batch.u[b, since] - batch.extra[b, since] @ lines.coefficients[line, 2:],
        noise=batch.noise[b] * (1.0 + phi) / (1.0 - phi),
        freedom=max(3.0, float(machine_freedom)),
    )


def foreseen(
    batch: SegmentedBatch,
    b: int,
    limits: Limits,
    at: datetime,
    rng: np.random.Generator,
    steps: Sequence[Step],
    prior: DriftPrior,
) -> Crossings | None:
    """When the range passes the limit, of machine `b`; None where too little is there to tell."""
    one, run, form = batch.series[b], run_of(batch, b, steps), _trend_form(batch, b)
    if run is None or form is None:
        return None
    here = np.isfinite(form)
    taken = one.measured.history.taken_at
    origin = origin_of(float(taken[-1]), at.timestamp())
    now = (origin - float(taken[0])) / DAY
    path = draw_paths(run.t - now, run.heights, run.noise, run.freedom, rng, DRAWS, prior)
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
    one, run = batch.series[b], batch.kept[b][batch.running(b)]
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
