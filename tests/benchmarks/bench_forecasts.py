"""What forecasts are worth on machines that drift, stand, wander, die away, bend or swing: known truth.

    python -m tests.benchmarks.bench_forecasts [--machines 300] [--seeds 11] [--tuned]

Each kind of fleet (tests/follow/fleets.py) is foretold three times: from the fixed weights, as a machine on a farm that
has learned nothing; from weights that a farm of that kind of machine alone has learned; from those that a farm of all
kinds has learned. Beside them a straight line through every screw's height with its prediction interval, by ordinary
least squares. The values are others than those anything was chosen on, unless `--tuned`. Everything is invented,
nothing is timed.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Mapping, Sequence
from itertools import pairwise

import numpy as np

from farmwatch.follow import DriftPrior, Forecast, HistoryFindings, follow_fleet
from farmwatch.judge import judge_fleet
from farmwatch.measure import MeasuredHistory, grid_points, influence, measure_histories
from farmwatch.times import from_epoch
from tests.follow.fleets import (
    END,
    HORIZON,
    LIMITS,
    MODEL,
    OTHER,
    TUNED_ON,
    YEAR,
    Kind,
    Moving,
    Score,
    Ways,
    fleet,
    follow,
    learned,
    score,
)

KINDS: tuple[Kind, ...] = ("drift", "still", "short still", "short", "wander", "decay", "bend", "season")
DAY = 86400.0
DRAWS = 400
AHEAD = np.arange(0.0, HORIZON + 1.0, 2.0)


def straight_lines(made: Sequence[Moving], rng: np.random.Generator) -> list[HistoryFindings]:
    """Of each machine a straight line through every screw's height, drawn from what least squares knows of it."""
    measured = measure_histories([one.history for one in made], [MODEL] * len(made), END)
    return [_straight_line(one, rng) for one in measured]


def _straight_line(one: MeasuredHistory, rng: np.random.Generator) -> HistoryFindings:
    rows = np.flatnonzero(one.followed)
    t, u = (one.history.taken_at[rows] - END.timestamp()) / DAY, one.u[rows]
    design, freedom = np.column_stack([np.ones(t.size), t]), t.size - 2
    inverse = np.linalg.inv(design.T @ design)
    fit = inverse @ design.T @ u
    sd = np.sqrt(np.square(u - design @ fit).sum(axis=0) / freedom)
    stretch = np.sqrt(freedom / rng.chisquare(freedom, (DRAWS, 1, 1)))
    drawn = fit + np.linalg.cholesky(inverse) @ rng.standard_normal((DRAWS, 2, u.shape[1])) * sd * stretch
    heights = drawn[:, :1] + AHEAD[:, None] * drawn[:, 1:]
    shares = influence(np.array(MODEL.screws_xy), MODEL.reference_index, *grid_points(one.x, one.y))[:2]
    # A spiking point is missing from its form.
    form = np.nanmean(one.form[rows], axis=0).ravel()
    over = np.ptp(heights @ shares + form, axis=2) > LIMITS.usable_mm
    days = np.sort(np.where(over.any(axis=1), AHEAD[over.argmax(axis=1)], np.inf))
    p10, p50, p90 = (
        float(days[round(q * (DRAWS - 1))]) if np.isfinite(days[round(q * (DRAWS - 1))]) else None
        for q in (0.1, 0.5, 0.9)
    )
    return HistoryFindings(forecast=Forecast(chance=float(np.isfinite(days).mean()), p10=p10, p50=p50, p90=p90))


def told_by(made: Sequence[Moving], seed: int, priors: Mapping[str, DriftPrior] | None) -> list[HistoryFindings]:
    found: list[HistoryFindings] = []
    for begin in range(0, len(made), 200):
        found += follow(made[begin : begin + 200], seed=seed + begin, priors=priors)
    return found


def line(kind: str, way: str, one: Score) -> str:
    return (
        f"  {kind:<12}{way:<14} chance {one.mean_chance:.3f} (seen {one.seen:.3f})  "
        f"Brier {one.brier:.3f} ± {one.brier_se:.3f} (climatology {one.climatology:.3f})  "
        f"interval holds {one.coverage:.3f} ± {one.coverage_se:.3f} (of {one.crossed})  pinball {one.pinball:.2f} days"
    )


def parts(made: Sequence[Moving], told: Sequence[HistoryFindings]) -> Iterator[str]:
    """What the interval holds by how long a machine was followed, and by how far ahead its day lay."""
    length = np.array([float(np.ptp(one.history.taken_at)) / DAY for one in made])
    ahead = np.array([np.nan if one.crosses is None else one.crosses for one in made])
    for word, value, edges in (
        ("followed, days", length, (0, 30, 60, 90, 130, 200, 600)),
        ("ahead, days", ahead, (0, 14, 30, 60, 90, 130, 183)),
    ):
        said = []
        for low, high in pairwise(edges):
            some = np.flatnonzero((value >= low) & (value < high))
            if not some.size:
                continue
            one = score([made[i] for i in some], [told[i] for i in some])
            if one.crossed >= 10:
                said.append(f"{low}-{high}: {one.coverage:.2f} ± {one.coverage_se:.2f} ({one.crossed})")
        yield f"    {word}: " + ", ".join(said)


def tenths(one: Score) -> str:
    return ", ".join(f"{said:.2f}: {seen:.2f} ({n})" for said, seen, n in one.tenths)


def fleets(machines: int, seed: int, ways: Ways) -> Iterator[str]:
    """Every kind of fleet, each way of foretelling it."""
    made = {kind: fleet(kind, machines, seed, ways) for kind in KINDS}
    everyone = [one for some in made.values() for one in some]
    rng = np.random.default_rng([seed, 99])
    ways_told = {"straight line": straight_lines(everyone, rng)}
    ways_told["fixed"] = told_by(everyone, seed, None)
    ways_told["farm of all"] = told_by(everyone, seed, learned(everyone))
    own: list[HistoryFindings] = []
    for some in made.values():
        own += told_by(some, seed, learned(some))
    ways_told["own farm"] = own
    for way, told in ways_told.items():
        for k, (kind, some) in enumerate(made.items()):
            mine = told[k * machines : (k + 1) * machines]
            yield line(kind, way, score(some, mine))
        steps = told[KINDS.index("season") * machines :][:machines]
        years = sum(float(np.ptp(one.history.taken_at)) for one in made["season"]) / DAY / YEAR
        if way == "fixed":
            count = sum(len(one.steps) for one in steps)
            yield f"  season: steps a machine-year {count / years:.3f} ± {max(count, 1) ** 0.5 / years:.3f} (< 0.02)"
        whole = score(everyone, told)
        yield f"  all, {way}: Brier {whole.brier:.3f} ± {whole.brier_se:.3f}, said: seen of tenths {tenths(whole)}"
        yield from parts(everyone, told)


def swinging(machines: int, seed: int, ways: Ways) -> Iterator[str]:
    """Machines that swing and never pass the limit, judged weekly for 40 weeks: how often one is told to plan ahead."""
    made = []
    for one in fleet("season", 40 * machines, seed + 500, ways):
        days = float(np.ptp(one.history.taken_at)) / DAY
        if days > 420.0 and one.crosses is None and len(made) < machines and _never_near(one):
            made.append(one)
    priors = learned(made)
    for word, known in (("fixed", None), ("own farm", priors)):
        began, weeks, ahead_before = 0, 0, np.zeros(len(made), dtype=bool)
        for back in range(40, -1, -1):
            at = END.timestamp() - back * 7.0 * DAY
            some = [one.history.until(at) for one in made]
            when = from_epoch(at)
            measured = measure_histories(some, [MODEL] * len(some), when)
            rngs = [np.random.default_rng([seed, i]) for i in range(len(some))]
            told = judge_fleet(measured, LIMITS, when, follow_fleet(measured, LIMITS, when, rngs, priors=known))
            ahead = np.array(["plan-ahead" in one.advice for one in told])
            began += int((ahead & ~ahead_before).sum()) if back < 40 else 0
            weeks += len(made) if back < 40 else 0
            ahead_before = ahead
        years = weeks * 7.0 / YEAR
        yield (
            f"  swing, never past the limit, {word}: plan-ahead begins {began / years:.3f} ± "
            f"{max(began, 1) ** 0.5 / years:.3f} times a machine-year ({len(made)} machines, < 0.05)"
        )


def _never_near(one: Moving) -> bool:
    """Whether the machine stayed within the limit all along, noise and all but for single readings."""
    ranges = np.ptp(one.history.stacks[0].z.reshape(len(one.history), -1), axis=1)
    return float(np.quantile(ranges, 0.9)) < LIMITS.usable_mm


def main(argv: Sequence[str] | None = None) -> int:
    """Print every figure for every seed."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--machines", type=int, default=300)
    parser.add_argument("--swinging", type=int, default=40)
    parser.add_argument("--seeds", type=int, nargs="+", default=[11])
    parser.add_argument("--tuned", action="store_true", help="the values that the fixed weights were chosen on")
    wanted = parser.parse_args(argv)
    ways = TUNED_ON if wanted.tuned else OTHER
    for seed in wanted.seeds:
        print(f"seed {seed}: {wanted.machines} machines a kind", flush=True)
        for text in fleets(wanted.machines, seed, ways):
            print(text, flush=True)
        for text in swinging(wanted.swinging, seed, ways):
            print(text, flush=True)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
