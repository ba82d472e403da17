"""How fast a stack of meshes is measured, against scipy's lstsq and linprog one mesh at a time, in the same run.

python tests/benchmarks/bench_measure.py [--meshes 100000] [--side 7] [--sample 200] [--repeats 3]
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from statistics import median
from time import perf_counter

import numpy as np
import scipy.linalg
from scipy.optimize import linprog

from farmwatch.measure import flatness, measure_stack, minimum_zone_plane

SCREWS = [(10.0, 10.0), (210.0, 10.0), (110.0, 210.0)]


def meshes(n: int, side: int, seed: int = 1) -> tuple[np.ndarray, np.ndarray]:
    """Axis `[side]` and heights `[n, side, side]`: tilt, a bow, a twist and the noise of a probe."""
    rng = np.random.default_rng(seed)
    axis = np.linspace(10.0, 210.0, side)
    u = np.linspace(-1.0, 1.0, side)
    tilt, bow, twist = rng.normal(0.0, 0.1, (3, n, 1, 1))
    z = tilt * u + bow * u[:, None] ** 2 + twist * u * u[:, None] + rng.normal(0.0, 0.01, (n, side, side))
    return axis, z


def one_by_one(axis: np.ndarray, z: np.ndarray) -> np.ndarray:
    """Plane, form and range by scipy.linalg.lstsq, minimum zone by scipy linprog (HiGHS): widths `[n]`."""
    xx, yy = np.meshgrid(axis, axis)
    design = np.column_stack([np.ones(xx.size), xx.ravel() - xx.mean(), yy.ravel() - yy.mean()])
    one = np.ones((xx.size, 1))
    sides = np.block([[-design, -one], [design, -one]])
    widths = []
    for heights in z.reshape(len(z), -1):
        plane = scipy.linalg.lstsq(design, heights)[0]
        form = heights - design @ plane
        np.ptp(heights), np.ptp(form), np.sqrt(np.mean(form**2))
        answer = linprog(
            [0.0, 0.0, 0.0, 1.0],
            A_ub=sides,
            b_ub=np.concatenate([-form, form]),
            bounds=[(None, None)] * 4,
            method="highs",
        )
        widths.append(np.ptp(form - design @ answer.x[:3]))
    return np.array(widths)


def timed(work: Callable[[], object], repeats: int) -> float:
    """Median seconds of `repeats` runs."""
    spent = []
    for _ in range(repeats):
        start = perf_counter()
        work()
        spent.append(perf_counter() - start)
    return median(spent)


def run(count: int, side: int, sample: int, repeats: int) -> float:
    """Print the figures; return how many times faster measuring the stack is, per mesh."""
    axis, z = meshes(count, side)
    sample = min(sample, count)
    apart = np.abs(one_by_one(axis, z[:sample]) - minimum_zone_plane(axis, axis, z[:sample]).width).max()
    slow = timed(lambda: one_by_one(axis, z[:sample]), repeats) / sample
    print(
        f"{count} meshes {side} x {side}; loop timed on {sample}; median of {repeats}; widths agree to {apart:.1e} mm"
    )
    print(f"loop of lstsq + linprog           {1 / slow:10.0f} meshes/s")
    whole = 0.0
    for name, work in {
        "plane, form, minimum zone": lambda: flatness(axis, axis, z),
        "everything (measure_stack)": lambda: measure_stack(axis, axis, z, SCREWS, 0, sigma=0.01),
    }.items():
        whole = timed(work, repeats) / count
        print(f"{name:32} {1 / whole:11.0f} meshes/s   {slow / whole:6.0f} x the loop")
    return slow / whole


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--meshes", type=int, default=100_000)
    parser.add_argument("--side", type=int, default=7)
    parser.add_argument("--sample", type=int, default=200)
    parser.add_argument("--repeats", type=int, default=3)
    chosen = parser.parse_args()
    run(chosen.meshes, chosen.side, chosen.sample, chosen.repeats)
