"""How fast machines are followed, beside a plain script of scipy, pymannkendall and ruptures in the same run.

    python tests/benchmarks/bench_follow_speed.py [--machines 1000] [--readings 200] [--plain 3] [--longest 2000]
                                                  [--memory 10000]

Prints CPU seconds (medians of three), the ratio, the exponent of the cost in readings and in machines, and the peak of
memory for many machines. Everything is invented; nothing is asserted.
"""

from __future__ import annotations

import argparse
import resource
import statistics
import time
from collections.abc import Callable, Sequence
from datetime import UTC, datetime

import numpy as np
import pymannkendall
import ruptures
from scipy import stats

from farmwatch.demo.synthetic import Jump, Recipe, make_history, tideframe
from farmwatch.follow.fleet import follow_fleet
from farmwatch.history import History
from farmwatch.measure import grid_points, influence
from farmwatch.model import Limits

MODEL = tideframe()
LIMITS = Limits()
END = datetime(2026, 11, 23, 6, tzinfo=UTC)


def history(number: int, readings: int) -> History:
    """One machine of the benchmark: every fourth jumped a tooth, every third drifts."""
    rng = np.random.default_rng(number)
    jumps = (Jump(readings // 2, "front-left", 0.4, 1),) if number % 4 == 0 else ()
    drift = {"front-right": 0.004} if number % 3 == 0 else {}
    recipe = Recipe(
        readings=readings, end=END, jumps=jumps, drift_mm_per_week=drift, spiking_share=0.02,
        stands_mm={"front-left": -0.4 * len(jumps)},
    )  # fmt: skip
    return make_history(f"m{number:05d}", MODEL, recipe, rng).history


def follow(histories: Sequence[History]) -> None:
    """The whole of follow: series, noise, steps, trend, chart, forecast."""
    rngs = [np.random.default_rng(i) for i in range(len(histories))]
    follow_fleet(histories, [MODEL] * len(histories), LIMITS, END, rngs)


def plain(one: History) -> None:
    """The same for one machine as a script would do it: a loop over readings, and the libraries as they come."""
    stack = one.stacks[0]
    px, py = grid_points(stack.x, stack.y)
    design = np.column_stack([np.ones(px.size), px, py])
    screws = np.array([[screw.x_mm, screw.y_mm] for screw in MODEL.screws])
    planes = np.array([np.linalg.lstsq(design, z.ravel(), rcond=None)[0] for z in stack.z])
    form = stack.z.reshape(len(planes), -1) - planes @ design.T
    u = planes[:, 1:] @ (screws[:2] - screws[2]).T
    days = (one.taken_at - one.taken_at[0]) / 86400.0
    begin = 0
    for k in range(2):
        signal = np.column_stack([u[:, k] / 0.008, np.ones(days.size), days])
        breaks = ruptures.Pelt(model="linear", min_size=3, jump=1).fit_predict(signal, 40.0)
        begin = max([begin, *breaks[:-1]])
    for k in range(2):
        stats.theilslopes(u[begin:, k], days[begin:])
        pymannkendall.hamed_rao_modification_test(u[begin:, k])
    fits = [np.polyfit(days[begin:], u[begin:, k], 1, cov=True) for k in range(2)]
    rng = np.random.default_rng(0)
    drawn = [rng.multivariate_normal(fit, covariance, 500) for fit, covariance in fits]
    shares = influence(screws, 2, px, py)[:2]
    shape = form[begin:].mean(axis=0)
    for day in days[-1] + np.arange(0.0, 182.0, 0.5):
        heights = np.stack([slope * day + level for slope, level in (each.T for each in drawn)], axis=1)
        np.ptp(heights @ shares + shape, axis=1)


def seconds(work: Callable[[], None], times: int = 3) -> float:
    """Median CPU seconds."""
    taken = []
    for _ in range(times):
        start = time.process_time()
        work()
        taken.append(time.process_time() - start)
    return statistics.median(taken)


def exponent(sizes: Sequence[int], taken: Sequence[float]) -> float:
    """Slope of log cost over log size."""
    return float(np.polyfit(np.log(sizes), np.log(taken), 1)[0])


def main(argv: Sequence[str] | None = None) -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--machines", type=int, default=1000)
    parser.add_argument("--readings", type=int, default=200)
    parser.add_argument("--plain", type=int, default=3, help="machines that the plain script does")
    parser.add_argument("--longest", type=int, default=2000)
    parser.add_argument("--memory", type=int, default=10_000, help="machines of 100 readings for the peak of memory")
    wanted = parser.parse_args(argv)

    fleet = [history(i, wanted.readings) for i in range(wanted.machines)]
    ours = seconds(lambda: follow(fleet))
    theirs = seconds(lambda: [plain(one) for one in fleet[: wanted.plain]] and None, 1)
    each, peer = ours / len(fleet), theirs / max(wanted.plain, 1)
    print(f"{len(fleet)} machines x {wanted.readings} readings 7 x 7: {ours:.2f} s CPU, {1e3 * each:.2f} ms a machine")
    print(f"plain script: {peer:.2f} s a machine; ratio {peer / each:.0f} (wanted 50)")

    some = [max(8, len(fleet) // k) for k in (16, 4, 1)]
    cost = [seconds(lambda count=count: follow(fleet[:count])) for count in some]
    print(f"exponent in machines, {some}: {exponent(some, cost):.2f}")
    sizes = [size for size in (100, 200, 500, 1000, 2000, 5000) if size <= wanted.longest]
    cost = []
    for size in sizes:
        few = [history(i, size) for i in range(max(4, 4000 // size))]
        cost.append(seconds(lambda few=few: follow(few)) / len(few))
    line = ", ".join(f"{size}: {1e3 * each:.1f} ms" for size, each in zip(sizes, cost, strict=True))
    print(f"exponent in readings {exponent(sizes, cost):.2f} ({line})")

    if wanted.memory:
        peak = memory(wanted.memory)
        print(f"{wanted.memory} machines x 100 readings in blocks: peak {peak:.0f} MB")


def memory(machines: int) -> float:
    """Peak of resident memory, MB, when machines are read, followed and let go in rounds of 500."""
    for begin in range(0, machines, 500):
        follow([history(i, 100) for i in range(begin, min(machines, begin + 500))])
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0


if __name__ == "__main__":
    main()
