"""What judging costs, how exact plans are beside their peers, and how well the learned step is calibrated.

    python tests/benchmarks/bench_assess.py [--machines 300] [--readings 100] [--plans 500] [--realignments 2000]

Prints medians, and ratios against a peer in the same run; asserts nothing.
"""

from __future__ import annotations

import argparse
import statistics
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np

from farmwatch.history import History, Stack
from farmwatch.judge import judge_fleet, shim_plan, tooth_plan
from farmwatch.judge.learned import first_belief, learn_move
from farmwatch.measure import grid_points, influence, measure_histories
from farmwatch.mesh import Floats
from farmwatch.model import Limits
from tests.farm import MODEL

SCREWS = MODEL.screws_xy
START = datetime(2026, 1, 1, tzinfo=UTC)


def _median_seconds(work: Callable[[], object], times: int = 3) -> float:
    spent = []
    for _ in range(times):
        begin = time.process_time()
        work()
        spent.append(time.process_time() - begin)
    return statistics.median(spent)


def _beds(count: int, side: int, seed: int) -> tuple[Floats, Floats]:
    rng = np.random.default_rng(seed)
    axis = np.linspace(10.0, 210.0, side)
    x, y = grid_points(axis, axis)
    shares = influence(SCREWS, 2, x, y)
    lift = np.column_stack([rng.normal(0.0, 0.8, (count, 2)), np.zeros(count)])
    bow = rng.normal(0.0, 0.1, (count, 1)) * (((x - 110) / 100) ** 2 + ((y - 110) / 100) ** 2)
    return lift @ shares + bow + rng.normal(0.0, 0.008, (count, x.size)), shares


def bench_plans(count: int) -> None:
    """Exact search against the whole table of settings."""
    teeth = np.arange(-40, 41)
    table = np.stack([grid.ravel() for grid in np.meshgrid(teeth, teeth, indexing="ij")], axis=1).astype(float)

    def brute_force(beds: Floats, shares: Floats, step: float) -> list[float]:
        lifted = table @ shares[:2] * step
        return [float(np.ptp(lifted + z, axis=1).min()) for z in beds]

    print(f"tooth plans, {count} beds: ms each, and the whole table of 6561 settings beside it")
    for side in (7, 21):
        beds, shares = _beds(count, side, side)
        for step in (0.4, 0.1):
            ours = _median_seconds(lambda b=beds, s=shares, t=step: tooth_plan(b, s, t, 2)) / count
            few = beds[:20]
            table_time = _median_seconds(lambda b=few, s=shares, t=step: brute_force(b, s, t), 1) / len(few)
            off = np.abs(tooth_plan(few, shares, step, 2).range_mm - np.array(brute_force(few, shares, step))).max()
            print(
                f"  {side:2} x {side:<2} step {step}: {ours * 1e3:6.3f} ms, table {table_time * 1e3:7.3f} ms, "
                f"ratio {table_time / ours:5.1f}, largest difference {off:.1e} mm"
            )
        shims = _median_seconds(lambda b=beds, s=shares: [shim_plan(z * 0.3, s, MODEL.shim_stock_mm) for z in b], 1)
        print(f"  {side:2} x {side:<2} shims:    {shims / count * 1e3:6.3f} ms")


def bench_judging(machines: int, readings: int) -> None:
    """A fleet judged from its histories, following apart."""
    histories = []
    axis = np.linspace(10.0, 210.0, 7)
    days = np.arange(readings, dtype=float)
    for i in range(machines):
        beds, _ = _beds(1, 7, i)
        z = beds[0] + np.random.default_rng(i).normal(0.0, 0.008, (readings, 49))
        unknown = np.full(readings, np.nan)
        history = History(
            machine=f"heron-{i:03}",
            taken_at=START.timestamp() + days * 86400,
            seen_at=START.timestamp() + days * 86400,
            time_from=np.full(readings, "host", dtype=object),
            bed_celsius=unknown,
            celsius_is_now=np.zeros(readings, dtype=bool),
            plate=np.full(readings, None, dtype=object),
            during_work=np.zeros(readings, dtype=bool),
            stacks=(Stack(axis, axis, z.reshape(readings, 7, 7), np.arange(readings)),),
        )
        histories.append(history)
    at = START + timedelta(days=readings)
    cases = measure_histories(histories, [MODEL] * machines, at)
    together = _median_seconds(lambda: judge_fleet(cases, Limits(), at)) / machines
    one_by_one = _median_seconds(lambda: [judge_fleet([case], Limits(), at) for case in cases[:50]], 1)
    alone = one_by_one / len(cases[:50])
    print(f"judging {machines} machines of {readings} readings: {together * 1e3:.2f} ms CPU each together")
    print(f"  one by one {alone * 1e3:.2f} ms each, ratio {alone / together:.1f}")


def bench_learned_step(count: int, seeds: Sequence[int] = (1, 2, 3)) -> None:
    """True steps of 0.7 to 1.3 of nominal, one in ten turning the other way, 1 to 3 moves, noise of two readings."""
    print(f"learned tooth step, {count} realignments: share of 95 % intervals that hold the truth")
    for seed in seeds:
        rng = np.random.default_rng(seed)
        held = named = wrong = 0
        for _ in range(count):
            nominal = float(rng.uniform(0.1, 0.5))
            true, way = nominal * float(rng.uniform(0.7, 1.3)), -1 if rng.random() < 0.1 else 1
            belief = first_belief(replace(MODEL, lead_mm=nominal * 20))
            found = False
            for move in range(int(rng.integers(1, 4))):
                teeth = int(rng.choice([-3, -2, -1, 1, 2, 3]))
                belief = learn_move(belief, teeth, way * teeth * true + rng.normal(0.0, 0.011), 0.011)
                found = found or (move < 2 and belief.chance_other_way > 0.95)
            low, high = belief.interval_mm
            held += low <= true <= high
            wrong += way < 0
            named += found and way < 0
        print(f"  seed {seed}: {held / count:.1%}; wrong sense named after at most two moves {named} of {wrong}")


def main() -> None:
    """Run all three with the sizes of the command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--machines", type=int, default=300)
    parser.add_argument("--readings", type=int, default=100)
    parser.add_argument("--plans", type=int, default=500)
    parser.add_argument("--realignments", type=int, default=2000)
    sizes = parser.parse_args()
    bench_plans(sizes.plans)
    bench_judging(sizes.machines, sizes.readings)
    bench_learned_step(sizes.realignments)


if __name__ == "__main__":
    main()
