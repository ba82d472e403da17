"""The store at work on a large farm's database: medians of each call, and a query per machine as the peer of one scan.

python tests/benchmarks/bench_store.py [--machines 1000] [--readings 200] [--polls 20]
"""

from __future__ import annotations

import argparse
import resource
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from statistics import median

import numpy as np

from farmwatch.history import Reading
from farmwatch.mesh import Mesh
from farmwatch.store import PollRecord, ReadingColumns, Store
from farmwatch.store.reading_facts import objects
from farmwatch.times import micros

__all__ = ["main"]

_AXIS = np.linspace(10.0, 210.0, 7)
_START = datetime(2025, 1, 1, tzinfo=UTC)
_EVERY = timedelta(hours=6)


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--machines", type=int, default=1_000)
    parser.add_argument("--readings", type=int, default=200, help="of each machine")
    parser.add_argument("--polls", type=int, default=20, help="of each machine")
    given = parser.parse_args()
    names = [f"heron-{k:04d}" for k in range(given.machines)]
    with tempfile.TemporaryDirectory() as folder:
        store = Store(Path(folder) / "farm.duckdb")
        _fill(store, names, given.readings, given.polls)
        size = store.path.stat().st_size / 1e6
        total = given.machines * given.readings
        print(f"{given.machines:,} machines x {given.readings:,} readings 7 x 7: {total:,} readings, {size:,.0f} MB")
        _show("histories, all machines, one scan", store.histories)
        one = _show("histories, one machine", lambda: store.histories([names[7]]))
        print(f"{'a query for each machine would take':40s} {one * given.machines:10.2f} s")
        _show("latest, all machines", store.latest)
        _show("last digests, all machines", store.last_digests)
        _show("last answers, all machines", store.last_answers)
        later = _START + (given.readings + 1) * _EVERY
        round_ = [_reading(name, later, k) for k, name in enumerate(names)]
        polls = [PollRecord(machine=name, at=later, outcome="new", seconds=0.05) for name in names]
        _show("a round stored: a mesh and a poll each", lambda: store.add_round(round_, polls), times=1)
        _show("the same round again", lambda: store.add_round(round_, polls))
        _show("backup", lambda: store.backup(Path(folder) / "copy.duckdb"), times=1)
        print(f"{'peak memory':40s} {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:10.0f} MB")


def _show(what: str, call: Callable[[], object], times: int = 5) -> float:
    spent, worked = [], []
    for _ in range(times):
        start, cpu = time.perf_counter(), time.process_time()
        call()
        spent.append(time.perf_counter() - start)
        worked.append(time.process_time() - cpu)
    print(f"{what:40s} {median(spent):10.3f} s   (processor {median(worked):.3f} s)")
    return median(spent)


def _fill(store: Store, names: list[str], readings: int, polls: int) -> None:
    """In time order, as polls bring them."""
    rng = np.random.default_rng(1)
    per_batch = max(1, 20_000 // len(names))
    for begin in range(0, readings, per_batch):
        count = min(per_batch, readings - begin)
        store.add_readings(_columns(rng, names, begin, count))
    for k in range(polls):
        at = _START + k * _EVERY
        store.add_round((), [PollRecord(machine=name, at=at, outcome="same", seconds=0.05) for name in names])


def _columns(rng: np.random.Generator, names: list[str], begin: int, count: int) -> ReadingColumns:
    n = count * len(names)
    z = rng.normal(0.0, 0.1, (n, 49)).round(4)
    taken = np.repeat(micros(_START) + np.arange(begin, begin + count) * 6 * 3600 * 10**6, len(names))
    return ReadingColumns(
        machine=objects(names * count),
        taken_at=taken,
        grid=np.zeros(n, dtype=np.int64),
        grids=((_AXIS, _AXIS),),
        heights=z.ravel(),
        range_mm=np.ptp(z, axis=1),
        digest=objects([rng.bytes(32).hex() for _ in range(n)]),
        facts={
            "bed_celsius": np.full(n, 60.0),
            "plate": objects(["A"] * n),
            "seen_at": taken,
            "time_from": objects(["host"] * n),
            "celsius_is": objects(["at-probing"] * n),
            "during_work": np.zeros(n, dtype=bool),
            "read_by": objects([None] * n),
            "set_aside": objects([None] * n),
        },
    )


def _reading(name: str, at: datetime, seed: int) -> Reading:
    z = np.random.default_rng(seed).normal(0.0, 0.1, (7, 7)).round(4)
    return Reading(machine=name, taken_at=at, seen_at=at, time_from="host", mesh=Mesh.accept(_AXIS, _AXIS, z))


if __name__ == "__main__":
    main()
