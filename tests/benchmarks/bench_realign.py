"""Guided realignment by a simulated technician who follows the words exactly: how near, in how many meshes.

Prints figures and asserts nothing; `--machines` and `--seeds` for less or more.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.realign.technician import Outcome, misaligned, realigned

KINDS: dict[str, dict[str, float]] = {
    "as the model says": {},
    "steps up to 30 % off": {"off_nominal": 0.3},
    "screws answer the other way": {"other_way": True},
}


def figures(done: list[Outcome]) -> str:
    """One line of what came of it."""
    off = np.array([one.off_best_mm for one in done])
    meshes = np.array([one.meshes for one in done])
    return (
        f"within 0.02 mm of the best by the 4th mesh {np.mean(off <= 0.02):6.1%}, worst {off.max():.3f} mm; meshes "
        f"median {np.median(meshes):.0f}, most {meshes.max()}; needless moves, most {max(o.needless for o in done)}; "
        f"reference touched {sum(o.touched_reference for o in done)}"
    )


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
            done = [realigned(misaligned(rng, **how)) for _ in range(machines)]  # type: ignore[arg-type]
            print(f"{kind}, seed {seed}: {figures(done)}")


if __name__ == "__main__":
    main()
