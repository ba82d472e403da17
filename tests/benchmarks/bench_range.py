"""How far the range and the form that are judged lie from those of the bed: noise, grids, one mesh or many of one bed.

    python -m tests.benchmarks.bench_range [--beds 60] [--seed 1]

Everything is invented; nothing is timed. Beds are flat, bowls, saddles, waves, bent corners, ridges and s-bends of 0.05
and 0.2 mm, level and tilted. Each figure is a mean over beds and meshes with its standard error, in mm; a bias within
0.005 mm is wanted.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime

import numpy as np

from farmwatch.demo import bent
from farmwatch.history import History, Stack
from farmwatch.judge import judge_fleet
from farmwatch.measure import measure_histories, minimum_zone_plane
from farmwatch.mesh import Floats
from farmwatch.model import Limits
from tests.synthetic import tideframe

KINDS = ("flat", "bowl", "saddle", "wave", "corner", "ridge", "s-bend")
DAY = 86400.0
START = 1.78e9


def beds(side: int) -> list[Floats]:
    """True beds `[r, c]` of so many points a side."""
    axis = np.linspace(10.0, 210.0, side)
    tilt = (axis[None, :] - 110.0) / 200.0 + 0.3 * (axis[:, None] - 110.0) / 200.0
    return [
        mm * bent(kind, axis, axis) + slope * tilt
        for kind in KINDS
        for mm in ((0.05,) if kind == "flat" else (0.05, 0.2))
        for slope in (0.0, 0.05, 0.3)
    ]  # type: ignore[arg-type]


def history(bed: Floats, sigma: float, meshes: int, rng: np.random.Generator) -> History:
    axis = np.linspace(10.0, 210.0, len(bed))
    at = START + DAY * np.arange(meshes)
    return History(
        machine="heron-01",
        taken_at=at,
        seen_at=at,
        time_from=np.full(meshes, "host", dtype=object),
        bed_celsius=np.full(meshes, np.nan),
        celsius_is_now=np.zeros(meshes, dtype=bool),
        plate=np.full(meshes, None, dtype=object),
        during_work=np.zeros(meshes, dtype=bool),
        stacks=(Stack(axis, axis, bed + sigma * rng.standard_normal((meshes, *bed.shape)), np.arange(meshes)),),
    )


def biases(side: int, sigma: float, meshes: int, repeats: int, seed: int) -> dict[str, Floats]:
    """How far raw range, judged range, raw F and judged F lie from the truth, `[beds, repeats]` each."""
    rng = np.random.default_rng([seed, side, meshes])
    true = beds(side)
    axis = np.linspace(10.0, 210.0, side)
    histories = [history(bed, sigma, meshes, rng) for bed in true for _ in range(repeats)]
    at = datetime.fromtimestamp(START + DAY * meshes, UTC)
    model = tideframe()
    measured = measure_histories(histories, [model] * len(histories), at)
    told = judge_fleet(measured, Limits(), at)
    truth = np.repeat([float(np.ptp(bed)) for bed in true], repeats)
    form = np.repeat(minimum_zone_plane(axis, axis, np.stack(true)).width, repeats)
    found = {
        "raw range": np.array([one.range_mm for one in told]) - truth,
        "judged range": np.array([one.range_mm if one.judged_range_mm is None else one.judged_range_mm for one in told])
        - truth,
        "raw form": np.array([one.form.flatness_mz_mm for one in told]) - form,
    }
    return {name: values.reshape(len(true), repeats) for name, values in found.items()}


def lines(repeats: int, seed: int) -> Iterator[str]:
    for meshes in (4, 12):
        for side in (5, 7, 11, 21, 30):
            for sigma in (0.005, 0.010, 0.015):
                said = []
                for name, off in biases(side, sigma, meshes, repeats, seed).items():
                    error = float(off.std() / np.sqrt(off.size))
                    worst = off.mean(axis=1)
                    said.append(
                        f"{name} {off.mean():+.4f} ± {error:.4f} (worst bed {worst[np.abs(worst).argmax()]:+.3f})"
                    )
                yield f"  {side:2d} x {side:<2d} sd {sigma:.3f}, {meshes:2d} meshes: " + ", ".join(said)


def main(argv: Sequence[str] | None = None) -> int:
    """Print every figure."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--beds", type=int, default=12)
    parser.add_argument("--seed", type=int, default=1)
    wanted = parser.parse_args(argv)
    for line in lines(wanted.beds, wanted.seed):
        print(line, flush=True)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
