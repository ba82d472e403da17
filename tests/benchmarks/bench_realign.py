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
STEPS = {
    "as the model says": 1.0,
    "twice the model's": 2.0,
    "four times": 4.0,
    "half the model's": 0.5,
    "a quarter": 0.25,
}
MOST_MESHES = 15
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


def share(hits: int, of: int) -> str:
    """A share with its standard error."""
    one = hits / of
    return f"{one:6.1%} ± {np.sqrt(one * (1 - one) / of):.1%}"


def endings(done: list[Outcome]) -> str:
    """Whether it came to an end, after how many moves, and how near the best that whole teeth can."""
    ended = [one for one in done if one.ended]
    moves = np.array([one.meshes - 1 for one in done])
    off = np.array([one.ends_off_mm for one in done])
    reached = sum(one.ended and one.ends_off_mm <= 0.04 for one in done)
    worst = max(one.worst_range_mm for one in done)
    error = 1.2533 * moves.std() / np.sqrt(len(moves))  # of a median: sqrt(pi / 2) times that of a mean
    return (
        f"ended within {MOST_MESHES - 1} moves {share(len(ended), len(done))}, there within 0.04 mm of the best "
        f"{share(reached, len(done))}; moves median {np.median(moves):.0f} ± {error:.1f}, most {moves.max()}; "
        f"worst off {off.max():.2f} mm; range on the way, most {worst:.1f} x the first"
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
    for screws in (2, 3, 4):
        for kind, step_is in STEPS.items():
            rng = np.random.default_rng(7)
            made = (misaligned(rng, screws=screws, step_is=step_is, off_nominal=0.1) for _ in range(machines))
            print(f"{screws} screws, step {kind}: {endings([realigned(one, most=MOST_MESHES) for one in made])}")
        rng = np.random.default_rng(8)
        made = (misaligned(rng, screws=screws, other_way=True) for _ in range(machines))
        print(f"{screws} screws, the other way: {endings([realigned(one, most=MOST_MESHES) for one in made])}")
        rng = np.random.default_rng(9)
        made = (misaligned(rng, screws=screws) for _ in range(machines))
        done = [realigned(one, most=MOST_MESHES, wrong=(0,), answers=False) for one in made]
        print(f"{screws} screws, first move wrong, nobody to ask: {endings(done)}")
    for kind, slip in HANDS.items():
        rng = np.random.default_rng(1)
        done = [handled(rng, **slip) for _ in range(machines)]
        print(f"{kind}: {figures(done)}")


if __name__ == "__main__":
    main()
