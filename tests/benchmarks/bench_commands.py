"""How long a command takes to begin: medians over runs that alternate, and ratios to a bare interpreter with click.

python tests/benchmarks/bench_commands.py [--runs N] [--config FILE]
"""

from __future__ import annotations

import argparse
import resource
import statistics
import subprocess
import sys
import time
from pathlib import Path

PEER = ("click alone", ["-c", "import click"])


def cost(arguments: list[str]) -> tuple[float, float]:
    """Wall and processor seconds of one run of this interpreter."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    start = time.perf_counter()
    subprocess.run([sys.executable, *arguments], stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, check=True)
    wall = time.perf_counter() - start
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return wall, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def measure(runs: int, config: Path | None) -> dict[str, tuple[float, float]]:
    """Median wall and processor seconds by what was run."""
    cases = {PEER[0]: PEER[1], "farmwatch --help": ["-m", "farmwatch", "--help"]}
    if config is not None:
        cases["farmwatch fleet"] = ["-m", "farmwatch", "--config", str(config), "fleet"]
    taken: dict[str, list[tuple[float, float]]] = {name: [] for name in cases}
    for _ in range(runs):
        for name, arguments in cases.items():
            taken[name].append(cost(arguments))
    return {
        name: (statistics.median(wall for wall, _ in rows), statistics.median(cpu for _, cpu in rows))
        for name, rows in taken.items()
    }


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=11)
    parser.add_argument("--config", type=Path, help="a farm whose fleet is shown, too")
    given = parser.parse_args()
    found = measure(given.runs, given.config)
    _, peer = found[PEER[0]]
    for name, (wall, cpu) in found.items():
        print(f"{name:<20} {wall:6.3f} s wall  {cpu:6.3f} s processor  {cpu / peer:5.1f} x")


if __name__ == "__main__":
    main()
