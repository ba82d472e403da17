"""How calm judgement is at the limits, and how soon it knows a real passing: fleets of known truth, no clock in it.

    python -m tests.benchmarks.bench_calm [--machines 24] [--days 365] [--point-sd 0.006] [--seed 11]

Unchanged machines of three makes (tilted, bent, both) stand within 0.015 mm of a limit and are probed once a day; each
mesh is judged with all before it, and changes of the first advice and of the condition are counted per machine-year.
Machines that pass the usable limit by a step, from 0.05 or 0.015 mm under it, are confirmed past it within two more
meshes or not.
Beside each figure stands its standard error over machines. Peer: the plain rule *two meshes in a row on the other side
of the limit*, on the same ranges.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from datetime import timedelta
from itertools import pairwise

import numpy as np

from farmwatch.history import History
from farmwatch.judge import Assessment, judge_fleet, tooth_plan
from farmwatch.measure import grid_points, influence, measure_histories, minimum_zone_plane
from farmwatch.mesh import Floats, Mesh
from farmwatch.model import Limits
from tests.farm import AXIS, MODEL, NOW, bed, reading

LIMITS = Limits()
FIRST_DAYS = 20
"""Days until counting starts: a machine that is new has yet to be known."""


def unchanged(rng: np.random.Generator, truth_mm: float) -> Floats:
    """A bed `[r, c]` of that range: tilted, bent, or both."""
    u = (AXIS - 110) / 100
    tilt = bed({"front-left": float(rng.uniform(0.2, 1)), "front-right": float(rng.uniform(-1, 1))}).z
    bend = u[None, :] ** 2 * float(rng.uniform(0.5, 1)) + u[:, None] ** 2 * float(rng.uniform(0, 1))
    share = float(rng.choice([0.0, 0.3, 0.6, 0.9]))
    z = (1 - share) * tilt / np.ptp(tilt) + share * bend / np.ptp(bend)
    return truth_mm * z / np.ptp(z)


def judged_daily(beds: Sequence[Floats], point_sd_mm: float, rng: np.random.Generator, first: int) -> list[Assessment]:
    """One bed a day, probed with noise; what is said after each, from the one at place `first` on."""
    meshes = [Mesh.accept(AXIS, AXIS, z + rng.normal(0.0, point_sd_mm, z.shape)) for z in beds]
    history = History.of("heron-01", [reading(mesh, days=day - len(meshes)) for day, mesh in enumerate(meshes)])
    said = []
    for start in range(first, len(meshes), 60):
        ends = [float(history.taken_at[i]) for i in range(start, min(start + 60, len(meshes)))]
        some = [history.until(end) for end in ends]
        measured = measure_histories(some, [MODEL] * len(some), NOW + timedelta(days=1))
        said += judge_fleet(measured, LIMITS, NOW)
    return said


def changes_a_year(values: Sequence[object]) -> float:
    """How often neighbours differ, per 365."""
    return 365 * sum(a != b for a, b in pairwise(values)) / max(len(values) - 1, 1)


def two_in_a_row(ranges: Sequence[float], limit_mm: float) -> list[bool]:
    """The peer: over the limit when two meshes in a row were, under it when two were."""
    over, said = ranges[0] > limit_mm, []
    for before, now in pairwise(ranges):
        if (before > limit_mm) == (now > limit_mm):
            over = now > limit_mm
        said.append(over)
    return said


def measure_calm(machines: int, days: int, point_sd_mm: float, limit_mm: float, seed: int) -> dict[str, Floats]:
    """Changes a machine-year, one number per machine, within 0.015 mm of the limit."""
    rng = np.random.default_rng(seed)
    found: dict[str, list[float]] = {"first advice": [], "condition": [], "peer's condition": []}
    for _ in range(machines):
        z = unchanged(rng, limit_mm + float(rng.uniform(-0.015, 0.015)))
        # The noise of its points adds to the range: what is meant is where the readings lie.
        z = z * (1 - _noise_share(z, point_sd_mm, rng) / np.ptp(z))
        said = judged_daily([z] * days, point_sd_mm, rng, FIRST_DAYS)
        found["first advice"].append(changes_a_year([one.advice[:1] for one in said]))
        found["condition"].append(changes_a_year([one.condition for one in said]))
        found["peer's condition"].append(changes_a_year(two_in_a_row([one.range_mm or 0.0 for one in said], limit_mm)))
    return {name: np.array(values) for name, values in found.items()}


def measure_passing(machines: int, point_sd_mm: float, past_mm: float, seed: int, under_mm: float = 0.05) -> Floats:
    """Per machine, whether a step to so far past the usable limit is confirmed within two meshes after the first."""
    rng = np.random.default_rng(seed)
    found = []
    for _ in range(machines):
        z = unchanged(rng, 1.0)
        under, past = (z * (mm - _noise_share(z * mm, point_sd_mm, rng)) for mm in (0.20 - under_mm, 0.20 + past_mm))
        said = judged_daily([under] * 30 + [past] * 3, point_sd_mm, rng, 30)
        found.append(any(one.condition == "past-limit" and one.confirmed for one in said))
    return np.array(found, dtype=float)


def between_causes(rng: np.random.Generator, edge: str) -> Floats:
    """A bed `[r, c]` at the edge between two causes.

    form: what no screw takes away lies within 0.01 mm of the usable limit (screws or both); share: teeth win back 22 to
    28 % of the range (both or plate).
    """
    points, where = grid_points(AXIS, AXIS), MODEL.screws_xy
    spread = influence(where, MODEL.reference_index, *points)
    while True:
        u = (AXIS - 110) / 100
        bend = u[None, :] ** 2 * float(rng.uniform(0.5, 1)) + u[:, None] ** 2 * float(rng.uniform(0, 1))
        form = 0.20 + float(rng.uniform(-0.01, 0.01)) if edge == "form" else float(rng.uniform(0.3, 0.5))
        bend *= form / float(minimum_zone_plane(*points, bend.ravel()).width)
        tilt = bed({"front-left": float(rng.uniform(-0.8, 0.8)), "front-right": float(rng.uniform(-0.8, 0.8))}).z
        z: Floats = bend + tilt
        left = float(tooth_plan(z.ravel(), spread, MODEL.tooth_step_mm or 0.4, MODEL.reference_index).range_mm)
        won = 1.0 - left / float(np.ptp(z))
        if (edge == "form" and won > 0.4) or (edge == "share" and 0.22 < won < 0.28):
            return z


def measure_causes(machines: int, days: int, point_sd_mm: float, edge: str, seed: int) -> dict[str, Floats]:
    """Changes of cause and first advice a machine-year of unchanged beds at an edge between causes, one per machine."""
    rng = np.random.default_rng(seed)
    found: dict[str, list[float]] = {"cause": [], "first advice": [], "unclear, share of days": []}
    for _ in range(machines):
        said = judged_daily([between_causes(rng, edge)] * days, point_sd_mm, rng, FIRST_DAYS)
        found["cause"].append(changes_a_year([one.cause for one in said]))
        found["first advice"].append(changes_a_year([one.advice[:1] for one in said]))
        found["unclear, share of days"].append(sum(one.cause == "unclear" for one in said) / len(said))
    return {name: np.array(values) for name, values in found.items()}


def with_error(values: Floats) -> str:
    """Mean ± its standard error."""
    return f"{values.mean():.2f} ± {values.std(ddof=1) / np.sqrt(values.size):.2f}"


def _noise_share(z: Floats, point_sd_mm: float, rng: np.random.Generator) -> float:
    noisy = z + rng.normal(0.0, point_sd_mm, (200, *z.shape))
    return float((noisy.max(axis=(1, 2)) - noisy.min(axis=(1, 2))).mean() - np.ptp(z))


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--machines", type=int, default=24)
    parser.add_argument("--days", type=int, default=365)
    parser.add_argument("--point-sd", type=float, default=0.006)
    parser.add_argument("--seed", type=int, default=11)
    given = parser.parse_args()
    print(
        f"Noise of a point {given.point_sd} mm; {given.machines} machines, {given.days} days, a mesh a day, "
        f"seed {given.seed}."
    )
    for limit in (LIMITS.ideal_mm, LIMITS.usable_mm):
        print(f"Unchanged within 0.015 mm of {limit:.2f} mm, changes a machine-year (advice at most 0.5, condition 1):")
        for name, values in measure_calm(given.machines, given.days, given.point_sd, limit, seed=given.seed).items():
            print(f"  {name:18} {with_error(values)}")
    for edge, what in (("form", "screws or both"), ("share", "both or plate")):
        print(f"Unchanged at the edge between causes ({what}), changes a machine-year (at most 0.5):")
        for name, values in measure_causes(
            given.machines, given.days, given.point_sd, edge, seed=given.seed + 10
        ).items():
            print(f"  {name:22} {with_error(values)}")
    for past in (0.02, 0.03, 0.05, 0.2):
        for under in (0.05, 0.015):
            values = measure_passing(2 * given.machines, given.point_sd, past, given.seed + 1, under)
            print(
                f"From {under:.3f} under to {past:.2f} mm over, confirmed within two more meshes: {with_error(values)}"
            )


if __name__ == "__main__":
    main()
