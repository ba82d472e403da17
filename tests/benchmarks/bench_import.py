"""Import of NDJSON: readings a second, beside DuckDB's own reader, and the memory it took.

python tests/benchmarks/bench_import.py [--readings 100000] [--machines 1000]
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import orjson

sys.path.insert(0, str(Path(__file__).parents[2]))

from farmwatch.exchange import import_files
from farmwatch.store import Store
from tests.benchmarks.peer import import_ndjson

__all__ = ["main"]

_SIDE = 7
_NOW = datetime(2026, 11, 30, tzinfo=UTC)


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--readings", type=int, default=100_000)
    parser.add_argument("--machines", type=int, default=1_000)
    given = parser.parse_args()
    names = [f"heron-{k:04d}" for k in range(given.machines)]
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "readings.ndjson"
        _write(file, given.readings, names)
        print(f"{given.readings:,} readings {_SIDE} x {_SIDE}, {file.stat().st_size / 1e6:,.0f} MB of NDJSON")
        peer = _timed(lambda: _peer(file, Path(folder) / "peer.duckdb", given.readings))
        ours = _timed(lambda: _import(file, Path(folder) / "farm.duckdb", names))
        again = _timed(lambda: _import(file, Path(folder) / "farm.duckdb", names))
        for what, (wall, processor) in {
            "DuckDB's read_json, nothing checked": peer,
            "import": ours,
            "import again (all stand already)": again,
        }.items():
            print(f"{what:52s} {wall:10,.0f} readings/s {1e6 / processor:8.1f} us of processor a reading")
        by_clock, by_processor = peer[0] / ours[0], peer[1] / ours[1]
        print(f"import takes {by_clock:.1f} x as long as read_json by the clock, {by_processor:.1f} x by the processor")
        small = Path(folder) / "small.ndjson"
        _write(small, 10_000, names)
        for part, readings in ((small, 10_000), (file, given.readings)):
            peak = _peak_mb(part, Path(folder) / f"{part.stem}-2.duckdb", given.machines)
            print(f"peak memory  {peak:10,.0f} MB  ({readings:,} readings)")


def _write(file: Path, readings: int, names: list[str]) -> None:
    rng = np.random.default_rng(2)
    x = np.linspace(10.0, 210.0, _SIDE).round(1).tolist()
    start = datetime(2025, 1, 1, tzinfo=UTC)
    with file.open("wb") as target:
        for begin in range(0, readings, 10_000):
            meshes = rng.normal(0.0, 0.1, (min(10_000, readings - begin), _SIDE, _SIDE)).round(4)
            for k, mesh in enumerate(meshes.tolist(), start=begin):
                at = start + timedelta(seconds=30 * k)
                line = {
                    "machine": names[k % len(names)],
                    "taken_at": at.isoformat().replace("+00:00", "Z"),
                    "x": x,
                    "y": x,
                    "heights": mesh,
                    "bed_celsius": 60,
                    "plate": "A",
                }
                target.write(orjson.dumps(line, option=orjson.OPT_APPEND_NEWLINE))


def _timed(call: Callable[[], int]) -> tuple[float, float]:
    """Readings a second by the clock, and by the processor time of all threads: the latter where others work here."""
    start, processor = time.perf_counter(), time.process_time()
    done = call()
    return done / (time.perf_counter() - start), done / (time.process_time() - processor)


def _import(file: Path, database: Path, names: list[str]) -> int:
    result = import_files(Store(database), [file], names, _NOW)
    if result.refused_count:
        raise SystemExit(f"refused: {result.refused[0]}")
    return result.stored + result.same


def _peer(file: Path, database: Path, readings: int) -> int:
    """DuckDB reads the file by itself; no checks, no fingerprints, nothing against storing twice."""
    import_ndjson(file, database)
    return readings


def _peak_mb(file: Path, database: Path, machines: int) -> float:
    """Peak resident memory of a process that only imports (getrusage would pass on our own)."""
    code = f"""
from datetime import UTC, datetime
from pathlib import Path
from farmwatch.exchange import import_files
from farmwatch.store import Store
names = [f"heron-{{k:04d}}" for k in range({machines})]
import_files(Store(Path({str(database)!r})), [Path({str(file)!r})], names, datetime(2026, 11, 30, tzinfo=UTC))
print(next(line.split()[1] for line in open("/proc/self/status") if line.startswith("VmHWM")))
"""
    said = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    return int(said.stdout) / 1024


if __name__ == "__main__":
    main()
