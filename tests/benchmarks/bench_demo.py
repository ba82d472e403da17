"""What the demo costs, and how much of its truth comes out, for several seeds.

    python tests/benchmarks/bench_demo.py [--weeks 26] [--machines 27] [--seeds 1 2 3]

Prints, a line a seed: wall and CPU seconds, polls a second, and the machines of which something untrue is said at the
report's hour, by the assessment or by the book of tickets (out of all); then each untruth. The farm is invented;
nothing is asserted. Truths are stated for histories of 11 weeks or more: a step that lies before the history cannot
be found.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path

from farmwatch.assess import assess
from farmwatch.config import load_settings
from farmwatch.demo import farm_truth, last_monday, run_demo
from farmwatch.store import Store
from farmwatch.tickets import TicketRepository, as_of
from tests.demo.comparison import differences, ticket_differences

NOW = datetime(2026, 11, 26, 10, tzinfo=UTC)


def measure(weeks: int, machines: int, seed: int) -> None:
    """Play one demo and print its line."""
    with tempfile.TemporaryDirectory() as folder:
        wall, cpu = time.perf_counter(), time.process_time()
        result = run_demo(Path(folder), weeks, machines, seed, now=NOW)
        wall, cpu = time.perf_counter() - wall, time.process_time() - cpu
        settings = load_settings(result.config)
        end = last_monday(NOW)
        store = Store(settings.farm.database)
        said = {one.machine: one for one in assess(settings, store, end).machines}
        book = TicketRepository(store)
        tickets = as_of(book.tickets(), book.events(), end)
    untrue = {
        truth.name: differences(said[truth.name], truth, end)
        + ticket_differences([ticket for ticket in tickets if ticket.machine == truth.name], truth)
        for truth in farm_truth(machines)
    }
    wrong = {name: told for name, told in untrue.items() if told}
    print(
        f"seed {seed}: {wall:5.1f} s wall, {cpu:5.1f} s CPU, {result.polls / wall:6.0f} polls/s, "
        f"something untrue of {len(wrong)} of {machines} machines"
    )
    for name, told in wrong.items():
        print(f"  {name}: {'; '.join(told)}")


def main() -> None:
    """Read the command line and measure."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--weeks", type=int, default=26)
    parser.add_argument("--machines", type=int, default=27)
    parser.add_argument("--seeds", type=int, nargs="+", default=[1, 2, 3])
    given = parser.parse_args()
    for seed in given.seeds:
        measure(given.weeks, given.machines, seed)


if __name__ == "__main__":
    main()
