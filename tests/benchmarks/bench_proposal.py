"""How often the mapping proposal names the right heights first, on generated answers of many shapes, and what it costs.

Run: python tests/benchmarks/bench_proposal.py [--count 200] [--seeds 5]

The answers are invented (tests/collect/corpus.py): nested, padded with other tables of numbers, several candidates,
flattened, points, text; spans as ends, lists, sizes, or none.
"""

from __future__ import annotations

import argparse
import statistics
import sys
import time
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from farmwatch.collect.proposal import propose
from tests.collect.corpus import cases, hit, hit_axes

__all__ = ["main"]


def main(arguments: list[str] | None = None) -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--count", type=int, default=200)
    parser.add_argument("--seeds", type=int, default=5)
    given = parser.parse_args(arguments)
    for seed in range(2026, 2026 + given.seeds):
        right, placed, spans, times = 0, Counter[str](), Counter[str](), []
        for case in cases(given.count, seed):
            before = time.process_time()
            proposals = propose(case.body)
            times.append(time.process_time() - before)
            spans[case.spans] += 1
            if proposals and hit(case, proposals[0]):
                right += 1
                placed[case.spans] += hit_axes(case, proposals[0])
        print(f"seed {seed}: right heights first {right} of {given.count} ({right / given.count:.1%}), ", end="")
        print(f"{statistics.median(times) * 1000:.1f} ms median, {max(times) * 1000:.0f} ms at most")
        print("  coordinates right as well: " + ", ".join(f"{s} {placed[s]}/{spans[s]}" for s in sorted(spans)))


if __name__ == "__main__":
    main()
