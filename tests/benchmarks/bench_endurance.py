"""What the service survives, long form: kill -9, moved clocks over failing hosts, malformed answers.

Run: python tests/benchmarks/bench_endurance.py [--kills 200] [--polls 10000] [--answers 100000] [--short]

1. kill -9 at random moments during polls: every reading of a finished round is there, none twice, none torn.
2. Polls with a clock that jumps over hosts of which half the answers fail: the slope of resident memory over the
   rounds with its standard error, threads and sockets before and after, and how often each week was reported. The
   reports and the nights' work are done for real, in their own processes.
3. Malformed answers over HTTP through the whole poll: every one has an outcome, and what was stored is a mesh.

A broken promise ends it with an AssertionError; times are printed and never asserted.
"""

from __future__ import annotations

import argparse
import gc
import logging
import os
import random
import sys
import tempfile
import threading
import time
from collections import Counter
from datetime import datetime, timedelta
from datetime import time as time_of_day
from functools import partial
from itertools import count, takewhile
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from farmwatch.config import Settings
from farmwatch.mesh import Mesh
from farmwatch.outcomes import OUTCOMES
from farmwatch.service import Polling, ScheduledJobs, ServiceStatus
from farmwatch.store import DurableWriter, Store
from tests.collect.corpus import cases
from tests.collect.hosts import serving
from tests.collect.mutations import mutated
from tests.service.farm import NOW, beds, grid, names, settings_in
from tests.service.test_running import check_whole, kill_nine

__all__ = ["main"]


def main(arguments: list[str] | None = None) -> None:
    """Run all three with the sizes of the command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--polls", type=int, default=10_000)
    parser.add_argument("--answers", type=int, default=100_000)
    parser.add_argument("--hours", type=int, default=2, help="by which the moved clock mostly goes on")
    parser.add_argument("--short", action="store_true")
    given = parser.parse_args(arguments)
    if given.short:
        given.kills, given.polls, given.hours, given.answers = 5, 400, 30, 500
    logging.getLogger("farmwatch").setLevel(logging.CRITICAL)
    clock = partial(moved_clock, hours=given.hours)
    for part, size in ((kills, given.kills), (clock, given.polls), (malformed, given.answers)):
        if size:
            begin = time.monotonic()
            with tempfile.TemporaryDirectory() as folder:
                part(Path(folder), size)
            print(f"  in {time.monotonic() - begin:.0f} s", flush=True)


def kills(folder: Path, times: int) -> None:
    """kill -9 so many times, in ten databases' lives."""
    lives, rounds, stored = 0, 0, 0
    for seed in range(0, times, 20):
        place = folder / str(seed)
        place.mkdir()
        with beds(names(6)) as (host, _):
            store = Store(place / "farmwatch.duckdb")
            done = kill_nine(store.path, host.address, machines=6, times=min(20, times - seed), seed=seed)
            stored += check_whole(store, at_least=6 * done)
        lives, rounds = lives + 1, rounds + done
    print(
        f"kill -9 {times} times in {lives} databases: {rounds} rounds finished before a kill, {stored} readings whole"
    )


def moved_clock(folder: Path, wanted: int, *, hours: int) -> None:
    """Polls with a clock that goes on by hours, jumps a day, and is set back an hour."""
    threads = set(threading.enumerate())
    machines = names(20)
    with beds(machines, failing=0.5) as (host, given):
        settings = settings_in(folder, host.address, machines)
        store = Store(settings.farm.database)
        status, stop = ServiceStatus(NOW), threading.Event()
        polling = Polling(settings, DurableWriter(store), status, stop, random.Random(1))
        reported: Counter[str] = Counter()
        jobs = ScheduledJobs(settings, store, status, stop, _counting(reported))
        rng = random.Random(7)
        now, polls = NOW, 0
        times: list[datetime] = []
        memory: list[float] = []
        before = _open_files()
        while polls < wanted:
            now += timedelta(hours=rng.choices((hours, 24, -1), (90, 3, 7))[0])
            times.append(now)
            polls += len(polling.step(now, lambda at=now: at).records)  # type: ignore[misc]
            jobs.step(now)
            host.asked.clear()
            host.headers.clear()
            gc.collect()
            memory.append(_resident_kib())
        polling.close()
        _report_clock(status, store, given.given, polls, memory, reported, _report_times(settings, times))
    left = _open_files() - before
    others = [thread.name for thread in threading.enumerate() if thread not in threads]
    print(f"  file descriptors left over {left}; threads left over {len(others)} {others}")
    assert left <= 0
    assert not others


def _report_times(settings: Settings, times: list[datetime]) -> int:
    """How often the time of the weekly report came by, farm time, after the first step and up to the latest."""
    farm = settings.farm
    monday = NOW.astimezone(farm.timezone).date() - timedelta(days=NOW.weekday())
    at = farm.report_at
    moments = (
        datetime.combine(monday + timedelta(days=7 * week + at.weekday), time_of_day(at.hour, at.minute), farm.timezone)
        for week in count()
    )
    latest = max(times)
    # What ended before the first start is none of its reports.
    return sum(moment > times[0] for moment in takewhile(lambda moment: moment <= latest, moments))


def _report_clock(
    status: ServiceStatus,
    store: Store,
    given: dict[str, int],
    polls: int,
    memory: list[float],
    reported: Counter[str],
    weeks: int,
) -> None:
    stored = store.reading_count()
    assert stored == sum(given.values()), (stored, sum(given.values()))
    again = {name: number for name, number in reported.items() if number > 1}
    outcomes = {name: number for name, number in status.facts.polls.items() if number}
    settled = np.array(memory[len(memory) // 3 :])
    (slope, _), covariance = np.polyfit(np.arange(settled.size, dtype=float), settled, 1, cov=True)
    sd = float(np.sqrt(covariance[0, 0]))
    print(f"moved clock: {polls} polls in {len(memory)} rounds, {weeks} weeks, {stored} readings, all there")
    print(f"  outcomes {outcomes}")
    print(f"  resident {memory[0] / 1024:.1f} MB at first, {memory[-1] / 1024:.1f} MB at last")
    print(f"  slope over the last two thirds {slope:+.3f} KiB a round, standard error {sd:.3f} (white noise assumed)")
    print(f"  {len(reported)} weeks reported, each once{f', but for {again}' if again else ''}")
    assert not again
    assert len(reported) == weeks, (len(reported), weeks)


def _counting(reported: Counter[str]):  # type: ignore[no-untyped-def]
    """Errands done for real, the weekly reports counted."""
    from farmwatch.service import run_job

    def counting(job, stop):  # type: ignore[no-untyped-def]
        said = run_job(job, stop)
        if said is not None and job.kind == "week":
            reported[str(job.week)] += 1
        return said

    return counting


def malformed(folder: Path, count: int) -> None:
    """Damaged answers through fetching, reading, judging same from new, and storing."""
    whole = [case.body for case in cases(40, seed=7)]
    rng = random.Random(11)
    machines = names(50)

    def script(_: object) -> bytes:
        with lock:
            if rng.random() < 0.1:
                return _good(rng)
            return mutated(_good(rng) if rng.random() < 0.5 else rng.choice(whole), rng)

    lock = threading.Lock()
    with serving({f"/{name}": script for name in machines}) as host:
        settings = settings_in(folder, host.address, machines)
        store = Store(settings.farm.database)
        status = ServiceStatus(NOW)
        polling = Polling(settings, DurableWriter(store), status, threading.Event(), random.Random(1))
        now, polls = NOW, 0
        while polls < count:
            now += timedelta(hours=3)
            polls += len(polling.step(now, lambda at=now: at).records)  # type: ignore[misc]
            host.asked.clear()
            host.headers.clear()
        polling.close()
        facts = status.facts
    assert sum(facts.polls.values()) == polls
    assert set(facts.polls) == set(OUTCOMES)
    stored = 0
    for history in store.histories().values():
        for stack in history.stacks:
            for z in stack.z:
                Mesh.accept(stack.x, stack.y, z)
                stored += 1
    outcomes = {name: number for name, number in facts.polls.items() if number}
    print(f"malformed answers: {polls}, {outcomes}; {stored} stored, every one a mesh")


def _good(rng: random.Random) -> bytes:
    import json

    return json.dumps({"grid": grid(rng.randrange(10_000)), "serial": "x"}).encode()


def _open_files() -> int:
    return sum(1 for _ in Path("/proc/self/fd").iterdir())


def _resident_kib() -> float:
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1024


if __name__ == "__main__":
    main()
