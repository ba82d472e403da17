"""How long the weekly report takes and how large it is, whole: store, assessment (twice), view, drawings, file.

Run by hand:

    python tests/benchmarks/bench_report.py
    python tests/benchmarks/bench_report.py --machines 60 --readings 20 --rounds 1

The farm is invented: level machines, tilted ones, drifting ones, bent plates and jumps, a mesh every other day. The
peer in the same run is the same assessment printed as a bare table by the same template engine, without view and
drawings: what any page of that many machines costs.
"""

from __future__ import annotations

import argparse
import statistics
import tempfile
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
from jinja2 import Environment

from farmwatch.assess import assess
from farmwatch.config import Settings, load_settings
from farmwatch.history import Reading
from farmwatch.judge import FleetAssessment
from farmwatch.measure import grid_points, influence
from farmwatch.mesh import Mesh
from farmwatch.report import FarmFacts, render, week_just_ended, weekly_view, write_report
from farmwatch.store import Store
from tests.farm import MODEL_TEXT

AT = datetime(2026, 11, 23, 6, tzinfo=UTC)
GRID = np.linspace(10.0, 210.0, 7)
SCREWS = [(20.0, 10.0), (200.0, 10.0), (110.0, 215.0)]
CONFIG = (
    """
machines_file = "machines.csv"

[farm]
name = "Saltmarsh Tidegate Works"
timezone = "Europe/Dublin"
database = "farmwatch.duckdb"
reports = "reports"
report_at = "mon 06:00"

"""
    + MODEL_TEXT
    + """"""
)
BARE = """<!DOCTYPE html><title>Beds</title><table>
{% for m in machines %}<tr><th>{{ m.machine }}</th><td>{{ m.condition }}</td><td>{{ m.range_mm }}</td><td>{{ m.cause }}
</td><td>{{ m.advice|join(", ") }}</td><td>{{ m.tooth_floor_mm }}</td><td>{{ m.since }}</td></tr>
{% endfor %}</table>"""


def farm(folder: Path, machines: int) -> Settings:
    """A configuration of that many machines in three aisles."""
    names = [f"{('heron', 'plover', 'avocet')[i % 3]}-{i:05d}" for i in range(machines)]
    rows = "".join(f"{name},{name.split('-')[0]},tideframe-220\n" for name in names)
    (folder / "machines.csv").write_text("name,aisle,model\n" + rows, encoding="utf-8")
    (folder / "config.toml").write_text(CONFIG, encoding="utf-8")
    return load_settings(folder / "config.toml")


def readings(settings: Settings, each: int, seed: int) -> Iterator[list[Reading]]:
    """Histories, a machine at a time: two thirds level, the rest drifting, tilted, bent or with a jump."""
    rng = np.random.default_rng(seed)
    px, py = grid_points(GRID, GRID)
    lift = influence(SCREWS, 2, px, py)
    bowl = ((px - 110) / 100) ** 2 + ((py - 110) / 100) ** 2
    for number, machine in enumerate(settings.machines):
        kind = number % 12
        slope = 0.012 / 7 if kind == 1 else 0.0
        jump = 0.4 if kind == 2 else 0.0
        tilt = rng.uniform(0.3, 2.0) if kind == 3 else 0.02
        bent = 0.15 if kind == 4 else 0.015
        rows = []
        for i in range(each):
            at = AT - timedelta(days=2 * (each - i) - rng.uniform(0.2, 1.8))
            up = tilt + slope * 2 * i + (jump if i > each - 4 else 0.0)
            z = up * lift[0] + bent * bowl + rng.normal(0.0, 0.006, px.size)
            mesh = Mesh.accept(GRID, GRID, z.reshape(7, 7))
            rows.append(
                Reading(
                    machine=machine.name,
                    taken_at=at,
                    seen_at=at,
                    time_from="host",
                    mesh=mesh,
                    bed_celsius=60.0,
                    plate="A",
                )
            )
        yield rows


def median_seconds(work: Callable[[], Any], rounds: int) -> float:
    """Median wall time of some rounds."""
    times = []
    for _ in range(rounds):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return statistics.median(times)


def measure(machines: int, each: int, rounds: int) -> dict[str, float]:
    """Seconds and bytes of every part, of a farm of its own in a folder that goes away."""
    with tempfile.TemporaryDirectory() as name:
        settings = farm(Path(name), machines)
        store = Store(settings.farm.database)
        batch: list[Reading] = []
        for rows in readings(settings, each, seed=20261123):
            batch += rows
            if len(batch) >= 5000:
                store.add_readings(batch)
                batch = []
        store.add_readings(batch)
        week = week_just_ended(AT, settings.farm.timezone)
        facts = FarmFacts(name=settings.farm.name, zone=settings.farm.timezone, week=week)
        now = assess(settings, store, week.end(settings.farm.timezone))
        before = assess(settings, store, week.start(settings.farm.timezone), following=False)
        bare = Environment(autoescape=True).from_string(BARE)
        cpu = time.process_time()
        path = write_report(settings, store, AT)
        cpu = time.process_time() - cpu
        return {
            "whole": median_seconds(lambda: write_report(settings, store, AT), rounds),
            "cpu": cpu,
            "assess": median_seconds(lambda: assess(settings, store, AT), rounds),
            "before": median_seconds(lambda: assess(settings, store, AT, following=False), rounds),
            "page": median_seconds(lambda: page(now, before, facts), rounds),
            "bare": median_seconds(lambda: bare.render(machines=now.machines), rounds),
            "bytes": float(path.stat().st_size),
            "past": float(sum(m.condition == "past-limit" for m in now.machines)),
        }


def page(now: FleetAssessment, before: FleetAssessment, facts: FarmFacts) -> str:
    """View and page alone."""
    return render(weekly_view(now, before, facts))


def main() -> None:
    """Print what it took."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--machines", type=int, default=1000)
    parser.add_argument("--readings", type=int, default=90, help="readings of each machine")
    parser.add_argument("--rounds", type=int, default=3)
    asked = parser.parse_args()
    took = measure(asked.machines, asked.readings, asked.rounds)
    print(f"{asked.machines:,} machines x {asked.readings} readings of 7 x 7, {took['past']:.0f} past the limit")
    print(f"report, whole           {took['whole']:8.2f} s (wanted: under 10 s for 1,000), {took['cpu']:.2f} s of CPU")
    print(f"  assessment now        {took['assess']:8.2f} s")
    print(f"  of the week before    {took['before']:8.2f} s (not followed)")
    print(f"  view and page         {took['page']:8.2f} s, {1e3 * took['page'] / asked.machines:.2f} ms a machine")
    print(
        f"a bare table, the peer  {took['bare']:8.3f} s; view and page are {took['page'] / took['bare']:.0f} times that"
    )
    print(f"size                    {took['bytes'] / 1e6:8.2f} MB (wanted: under 5 MB for 1,000)")


if __name__ == "__main__":
    main()
