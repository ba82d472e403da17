"""How fast machines are followed, beside a decent script (peer.py) in the same run.

    python tests/benchmarks/bench_follow_speed.py [--machines 1000] [--readings 200] [--plain 3] [--longest 2000]
                                                  [--memory 10000]

Prints CPU seconds (medians of three), the ratio, the exponent of the cost in readings and in machines, and the peak of
memory for many machines. Everything is invented; nothing is asserted.
"""

from __future__ import annotations

import argparse
import resource
import statistics
import sys
import time
import warnings
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from farmwatch.follow import follow_fleet
from farmwatch.history import History
from farmwatch.measure import grid_points, measure_histories
from farmwatch.model import Limits
from tests.benchmarks.peer import one_machine
from tests.synthetic import Jump, Recipe, make_history, tideframe

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
    follow_fleet(measure_histories(histories, [MODEL] * len(histories), END), LIMITS, END, rngs)


def peer_script(one: History) -> None:
    """The same for one machine as a decent script does it; it plans whole teeth, too, which follow does not."""
    stack = one.stacks[0]
    px, py = grid_points(stack.x, stack.y)
    one_machine(stack.z.reshape(len(one), -1), (one.taken_at - one.taken_at[0]) / 86400.0, px, py)


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
    parser.add_argument("--plain", type=int, default=200, help="machines that the peer does")
    parser.add_argument("--longest", type=int, default=2000)
    parser.add_argument("--memory", type=int, default=10_000, help="machines of 100 readings for the peak of memory")
    wanted = parser.parse_args(argv)
    # The published drift test takes roots of what it finds negative on short series, and says so each time.
    warnings.simplefilter("ignore", RuntimeWarning)

    fleet = [history(i, wanted.readings) for i in range(wanted.machines)]
    ours = seconds(lambda: follow(fleet))
    theirs = seconds(lambda: [peer_script(one) for one in fleet[: wanted.plain]] and None, 1)
    each, peer = ours / len(fleet), theirs / max(wanted.plain, 1)
    print(f"{len(fleet)} machines x {wanted.readings} readings 7 x 7: {ours:.2f} s CPU, {1e3 * each:.2f} ms a machine")
    print(f"a decent script: {1e3 * peer:.2f} ms a machine; ratio {peer / each:.1f}")

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
