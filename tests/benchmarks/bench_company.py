"""A lake of many sites: what its export and its company's report cost, here and on a scheduler's workers.

    python -m tests.benchmarks.bench_company [--sites 4] [--machines 1000] [--readings 50] [--without-dask] [--dir DIR]

One site is made, imported and exported; the others are copies of its share under other names (the same beds, each
assessed for itself). Then the report is made by one process, by two, and by two workers of dask.distributed: with the
allocator's threshold as dask sets it, and as farmwatch's tasks set it. Of each the time on the clock and the time of
the processor in all processes together: beside other work the first says little, and the second says what a free
machine would give (so many workers x one process's time / all processes' time). Pages are compared byte for byte.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path

import orjson
import psutil

from tests.benchmarks.__main__ import END, ONE_THREAD, _farm

PAGE = "farmwatch-company-2026-W47.html"


@dataclass
class Cost:
    """Seconds on the clock and of the processor, and the largest process, MB."""

    wall: float
    cpu: float
    megabytes: float
    page: str


def make_lake(folder: Path, sites: int, machines: int, readings: int) -> Path:
    """A lake of so many sites; prints what export costs."""
    from farmwatch.company import export_lake
    from farmwatch.config import load_settings
    from farmwatch.config.settings import Site
    from farmwatch.exchange import import_files
    from farmwatch.store import Store

    farm, lake = folder / "farm", folder / "lake"
    _farm(farm, machines, readings)
    settings = load_settings(farm / "config.toml")
    settings = settings.model_copy(update={"site": Site(name="Site 000")})
    store, at = Store(settings.farm.database), END + timedelta(hours=1)
    import_files(store, [farm / "readings.ndjson"], [machine.name for machine in settings.machines], at)
    for what in ("first export", "again, nothing new"):
        begin, cpu = time.monotonic(), time.process_time()
        done = export_lake(settings, store, str(lake), at)
        spent = time.process_time() - cpu
        print(
            f"{what}: {done.readings:,} readings, {done.bytes_written / 1e6:.1f} MB, {time.monotonic() - begin:.2f} s, "
            f"{1e6 * spent / done.readings:.1f} us of the processor a reading",
            flush=True,
        )
    size = sum(file.stat().st_size for file in lake.rglob("*.parquet"))
    print(f"a reading of 49 points: {size / (machines * readings):.0f} bytes in the lake, 392 as doubles")
    for number in range(1, sites):
        copy = lake / f"site=Site%20{number:03d}"
        shutil.copytree(lake / "site=Site%20000", copy, copy_function=os.link)
        manifest = copy / "manifest.json"
        document = orjson.loads(manifest.read_bytes())
        manifest.unlink()
        manifest.write_bytes(orjson.dumps({**document, "site": f"Site {number:03d}", "source": f"{number:016x}"}))
    return lake


def report(lake: Path, to: Path, *more: str, workers: Sequence[int] = ()) -> Cost:
    """One run of `farmwatch company` in a process of its own; `workers` are the ids of processes that work for it."""
    config = to.with_suffix(".toml")
    config.write_text('[company]\nname = "Saltmarsh Tidegate Works"\ntimezone = "Europe/Dublin"\n')
    at = (END + timedelta(hours=2)).isoformat()
    command = [sys.executable, "-m", "farmwatch", "--config", str(config), "company", "--lake", str(lake)]
    command += ["--to", str(to), "--at", at, *more]
    before, at_work = time.monotonic(), _spent(workers)
    children = resource.getrusage(resource.RUSAGE_CHILDREN)
    done = subprocess.run(command, env={**os.environ, **ONE_THREAD}, capture_output=True, check=True)
    if done.stderr.strip():
        print("  said:", done.stderr.decode().strip()[:300])
    wall = time.monotonic() - before
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    cpu = after.ru_utime + after.ru_stime - children.ru_utime - children.ru_stime + _spent(workers) - at_work
    largest = max([after.ru_maxrss / 1024, *(psutil.Process(p).memory_info().rss / 2**20 for p in workers)])
    return Cost(wall, cpu, largest, hashlib.sha256((to / PAGE).read_bytes()).hexdigest())


def _spent(processes: Sequence[int]) -> float:
    return sum(sum(psutil.Process(p).cpu_times()[:2]) for p in processes)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sites", type=int, default=4)
    parser.add_argument("--machines", type=int, default=1000, help="a site")
    parser.add_argument("--readings", type=int, default=50, help="a machine")
    parser.add_argument("--without-dask", action="store_true")
    parser.add_argument("--dir", type=Path, help="where to work; left out: a folder that goes again")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=given.dir) as name:
        folder = Path(name)
        lake = make_lake(folder, given.sites, given.machines, given.readings)
        many = given.sites * given.machines
        load = os.getloadavg()[0]
        print(f"report over {given.sites} sites, {many:,} machines x {given.readings} readings (load {load:.1f})")
        one = report(lake, folder / "one", "--jobs", "1")
        _told("one process", one, one, 1, many)
        _told("two processes", report(lake, folder / "two", "--jobs", "2"), one, 2, many)
        if not given.without_dask:
            _on_dask(lake, folder, one, many)


def _on_dask(lake: Path, folder: Path, one: Cost, many: int) -> None:
    from tests.company.cluster import cluster

    os.environ["MALLOC_TRIM_THRESHOLD_"] = "65536"
    leave = folder / "leave.py"
    leave.write_text("from farmwatch.company import tasks\ntasks._keep_memory = lambda: None\n")
    warm = folder / "warm.py"
    warm.write_text("from farmwatch.company import tasks\n")
    for what, keeps in (("as dask sets it", False), ("as farmwatch's tasks set it", True)):
        # Workers that have loaded farmwatch: a scheduler's run for days.
        with cluster(folder, 2, nanny=False, preload=warm if keeps else leave) as found:
            cost = report(
                lake, folder / f"dask-{int(keeps)}", "--engine", found.address, workers=[w.pid for w in found.workers]
            )
        _told(f"two workers, threshold {what}", cost, one, 2, many)


def _told(what: str, cost: Cost, one: Cost, workers: int, machines: int) -> None:
    each = 1e3 * cost.cpu / machines
    print(f"  {what}: {cost.wall:.1f} s, {cost.cpu:.1f} s of the processor ({each:.2f} ms a machine),")
    print(
        f"    largest process {cost.megabytes:.0f} MB; on the clock {one.wall / cost.wall:.2f} x one process, by the "
        f"processor {workers * one.cpu / cost.cpu:.2f} x; page {'the same' if cost.page == one.page else 'ANOTHER'}",
        flush=True,
    )


if __name__ == "__main__":
    main()
