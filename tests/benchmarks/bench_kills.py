"""Kills while the database is written: by the clock, and inside the very calls by which DuckDB writes.

Run: python -m tests.benchmarks.bench_kills [--kills 1000]

Prints, with and without what guards the checkpoint, how many kills there were, after how many of them the database was
torn (could not be opened), and after how many it lacked a round that had been promised. Needs a C compiler (`cc`).
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path

from tests.native import compiled
from tests.store.dying import SOURCE, toll

__all__ = ["main"]


def main(arguments: list[str] | None = None) -> None:
    """Kill so many times in each way; every call of a round besides."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--kills", type=int, default=1000)
    parser.add_argument("--parts", type=int, default=8, help="parts of each write that are done before, 1 to 8")
    given = parser.parse_args(arguments)
    print(f"{'kills by':<20}{'guard':<9}{'kills':>7}{'torn':>7}{'lost':>7}")
    with tempfile.TemporaryDirectory() as folder:
        library = compiled(SOURCE, Path(folder))
        for what, number in (
            ("timed", given.kills), ("random", given.kills), ("every", given.parts), ("first", given.parts),
        ):  # fmt: skip
            for guard in ((), ("unguarded",)):
                found = toll(library, what, Path(folder) / f"{what}{len(guard)}", number, *guard, seconds=36_000)
                words = "without" if guard else "with"
                print(f"{what:<20}{words:<9}{found.kills:>7}{found.torn:>7}{found.lost:>7}", flush=True)


if __name__ == "__main__":
    main()
