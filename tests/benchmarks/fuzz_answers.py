"""Damaged answers by the thousand, through the mapping and the proposal: each must end in an outcome.

Run: python tests/benchmarks/fuzz_answers.py [--count 100000] [--seed 1]

Prints how often each outcome came, the slowest answer, and the rate; ends with a traceback at the first fault.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter
from pathlib import Path
from random import Random

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.collect.mutations import mutated
from tests.collect.test_fuzz import answers, check

__all__ = ["main"]


def main(arguments: list[str] | None = None) -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--count", type=int, default=100_000)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args(arguments)
    outcomes: Counter[str] = Counter()
    slowest = (0.0, "")
    start = time.perf_counter()
    for number in range(given.count):
        seed = f"{given.seed}:{number}"
        rng = Random(seed)
        body, reader = rng.choice(answers())
        body = mutated(body, rng)
        before = time.process_time()
        try:
            outcomes[check(body, reader)] += 1
        except BaseException:
            print(f"fault at seed {seed!r}: {body[:300]!r}")
            raise
        slowest = max(slowest, (time.process_time() - before, seed))
    print(f"{given.count} damaged answers in {time.perf_counter() - start:.0f} s: {dict(outcomes.most_common())}")
    print(f"slowest {slowest[0] * 1000:.0f} ms (seed {slowest[1]!r})")


if __name__ == "__main__":
    main()
