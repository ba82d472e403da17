"""Guided realignment by a simulated technician who follows the words exactly: how near, in how many meshes.

Prints figures and asserts nothing; `--machines` and `--seeds` for less or more.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.realign.technician import Bench, Outcome, misaligned, realigned

KINDS: dict[str, dict[str, Any]] = {
    "as the model says": {},
    "steps up to 30 % off": {"off_nominal": 0.3},
    "screws answer the other way": {"other_way": True},
    "one in ten the other way, steps up to 30 % off": {"off_nominal": 0.3, "share_other_way": 0.1},
}
HANDS: dict[str, dict[str, Any]] = {
    "first move made the wrong way round": {"wrong": (0,)},
    "the same, nobody to ask": {"wrong": (0,), "answers": False},
    "second move made the wrong way round, nobody to ask": {"wrong": (1,), "answers": False},
    "the model silent on the sense, first move wrong, nobody to ask": {
        "wrong": (0,), "answers": False, "silent": True,
    },
    "the same, another machine of the model known": {
        "wrong": (0,), "answers": False, "silent": True, "model_sense": "raises",
    },
}  # fmt: skip


def figures(done: list[Outcome]) -> str:
    """One line of what came of it."""
    off = np.array([one.off_best_mm for one in done])
    meshes = np.array([one.meshes for one in done])
    return (
        f"within 0.02 mm of the best by the 4th mesh {np.mean(off <= 0.02):6.1%}, worst {off.max():.3f} mm; meshes "
        f"median {np.median(meshes):.0f}, most {meshes.max()}; needless moves, most {max(o.needless for o in done)}; "
        f"reference touched {sum(o.touched_reference for o in done)}; most teeth the wrong way in one move, "
        f"the hand's slip apart, {max(o.astray_after_slip for o in done)}"
    )


def machine(rng: np.random.Generator, share_other_way: float = 0.0, **how: Any) -> Bench:
    """A misaligned machine of a kind."""
    return misaligned(rng, **({"other_way": bool(rng.random() < share_other_way)} if share_other_way else {}), **how)


def handled(rng: np.random.Generator, silent: bool = False, **how: Any) -> Outcome:
    """A machine that answers as its model says (or would say), at which a hand errs."""
    bench = misaligned(rng)
    if silent:
        bench.model = replace(bench.model, clockwise=None)
    return realigned(bench, **how)


def main() -> None:
    """Parse, simulate, print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--machines", type=int, default=300)
    parser.add_argument("--seeds", type=int, default=3)
    chosen = parser.parse_args()
    machines, seeds = chosen.machines, chosen.seeds
    print(f"{machines} machines a set, range 0.3 to 3 mm, steps 0.1 to 0.5 mm, noise 0.008 mm")
    for kind, how in KINDS.items():
        for seed in range(1, seeds + 1):
            rng = np.random.default_rng(seed)
            done = [realigned(machine(rng, **how)) for _ in range(machines)]
            print(f"{kind}, seed {seed}: {figures(done)}")
    for kind, slip in HANDS.items():
        rng = np.random.default_rng(1)
        done = [handled(rng, **slip) for _ in range(machines)]
        print(f"{kind}: {figures(done)}")


if __name__ == "__main__":
    main()
