"""Every speed figure as a ratio to a peer in the same run: `python -m tests.benchmarks`.

Each side runs in a process of its own, in turns, with one BLAS thread; the figure is that process's user and system
time (other work on the machine moves the clock, hardly this). The peer is `peer.py`; what it leaves out stands there.
`assess` begins with nothing found before; `warm` is the same where 3 % of the machines have a mesh more than last time,
against a peer that keeps nothing.

    python -m tests.benchmarks [--machines 300] [--readings 50] [--rounds 3] [--json FILE] [--compare FILE] [NAME …]

`--json` keeps the figures, `--compare` names what got slower than such a file by more than the noise: the ratio's
median outside the other's span, and by more than 5 %.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import platform
import statistics
import subprocess
import sys
import tempfile
from collections.abc import Callable
from dataclasses import asdict, dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from farmwatch.config import Settings
    from farmwatch.store import Store

__all__ = ["main"]

END = datetime(2026, 11, 23, 6, tzinfo=UTC)
LATER = END + timedelta(hours=1)
ONE_THREAD = dict.fromkeys(("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"), "1")


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure: medians of processor seconds of both sides, the ratio's span, and the exponent over machines."""

    name: str
    ours_s: float
    peer_s: float
    ratio: float
    lowest: float
    highest: float
    exponent: float
    megabytes: float


# Each side, as it runs in its own process


def _ours(what: str, folder: Path) -> None:
    from farmwatch.config import load_settings
    from farmwatch.store import Store

    settings = load_settings(folder / "config.toml")
    store = Store(settings.farm.database)
    if what in ("ndjson", "parquet"):
        from farmwatch.exchange import import_files

        names = [machine.name for machine in settings.machines]
        done = import_files(store, [folder / f"readings.{what}"], names, END)
        if done.refused_count:
            raise SystemExit(f"refused: {done.refused[0]}")
    elif what in ("assess", "warm"):
        from farmwatch.assess import assess

        assess(settings, store, LATER)
    elif what == "new":
        _read_anew(settings, store)
    else:
        from farmwatch.report import write_report

        write_report(settings, store, END)


def _read_anew(settings: Settings, store: Store) -> None:
    """Bring the kept findings up to date, then let 3 % of the machines have a new mesh."""
    from farmwatch.assess import assess
    from farmwatch.history import Reading
    from farmwatch.mesh import Mesh

    assess(settings, store, LATER)
    rng, axis = np.random.default_rng(store.reading_count()), np.linspace(10.0, 210.0, 7)
    at = END + timedelta(microseconds=store.reading_count())
    names = rng.permutation([machine.name for machine in settings.machines])[: round(0.03 * len(settings.machines))]
    meshes = [Mesh.accept(axis, axis, rng.normal(0.0, 0.05, (7, 7)).round(5)) for _ in names]
    store.add_readings(
        [
            Reading(machine=str(name), taken_at=at, seen_at=at, time_from="host", mesh=mesh)
            for name, mesh in zip(names, meshes, strict=True)
        ]
    )


def _peer(what: str, folder: Path) -> None:
    import warnings

    from tests.benchmarks import peer

    # The published drift test takes roots of what it finds negative on short series, and says so each time.
    warnings.simplefilter("ignore")
    database = folder / "peer.duckdb"
    run: dict[str, Callable[[], object]] = {
        "ndjson": lambda: peer.import_ndjson(folder / "readings.ndjson", database),
        "parquet": lambda: peer.import_parquet(folder / "readings.parquet", database),
        "assess": lambda: peer.assess(database),
        "warm": lambda: peer.assess(database),
        "report": lambda: peer.report(database, folder / "peer.html"),
    }
    run[what]()


WHAT = ("ndjson", "parquet", "assess", "warm", "report")


# The farm that both read


def _farm(folder: Path, machines: int, readings: int) -> None:
    """A configuration and its readings as NDJSON and Parquet: a third drift, a fourth jumped a tooth."""
    import duckdb
    import orjson

    from tests.farm import write_config

    names = [f"heron-{i:05d}" for i in range(machines)]
    folder.mkdir(parents=True)
    write_config(folder, names)
    rng = np.random.default_rng(20261123)
    axis = np.linspace(10.0, 210.0, 7)
    px, py = np.meshgrid(axis, axis)
    design = np.linalg.inv(np.array([[1.0, 20.0, 10.0], [1.0, 200.0, 10.0], [1.0, 110.0, 215.0]]))
    shares = design[0, :, None, None] + design[1, :, None, None] * px + design[2, :, None, None] * py
    with (folder / "readings.ndjson").open("wb") as target:
        for number, name in enumerate(names):
            days = np.arange(readings) - readings
            lift = rng.normal(0.0, 0.004, (readings, 2)) + rng.normal(0.0, 0.05, 2)
            lift[:, 1] += (number % 3 == 0) * 0.001 * days
            lift[readings // 2 :, 0] += (number % 4 == 0) * 0.4
            z = np.einsum("nk,krc->nrc", lift, shares[:2]) + rng.normal(0.0, 0.006, (readings, 7, 7))
            for day, mesh in zip(days.tolist(), z.round(5).tolist(), strict=True):
                at = END + timedelta(days=day, seconds=number)
                line = {"machine": name, "taken_at": at, "x": axis.tolist(), "y": axis.tolist(), "heights": mesh}
                target.write(orjson.dumps(line, option=orjson.OPT_APPEND_NEWLINE | orjson.OPT_UTC_Z))
    with duckdb.connect() as con:
        con.execute(
            "COPY (SELECT machine, taken_at::TIMESTAMPTZ AS taken_at, x::DOUBLE[] AS x, y::DOUBLE[] AS y,"
            f" heights::DOUBLE[][] AS heights FROM read_json('{folder}/readings.ndjson'))"
            f" TO '{folder}/readings.parquet' (FORMAT parquet, COMPRESSION zstd)"
        )


# Measuring


def _cost(side: str, what: str, folder: Path) -> tuple[float, float]:
    """Processor seconds and peak memory, MB, of one run of a side in a process of its own."""
    command = [sys.executable, "-m", "tests.benchmarks", "--side", side, what, str(folder)]
    with subprocess.Popen(command, env={**os.environ, **ONE_THREAD}) as child:
        _, status, usage = os.wait4(child.pid, 0)
        child.returncode = os.waitstatus_to_exitcode(status)
    if child.returncode:
        raise SystemExit(f"{side} {what} ended with {child.returncode}")
    return usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024


def _fresh(what: str, folder: Path) -> None:
    """An import begins with nothing, an assessment with nothing found before, a warm one with a little that is new."""
    if what in ("ndjson", "parquet"):
        for name in ("farmwatch.duckdb", "peer.duckdb"):
            (folder / name).unlink(missing_ok=True)
    if what == "warm":
        _cost("ours", "new", folder)
    else:
        (folder / "farmwatch.duckdb.findings").unlink(missing_ok=True)


def measure(what: str, small: Path, large: Path, growth: int, rounds: int) -> Figure:
    """Both sides in turns over the large farm, and ours once over the small one for the exponent."""
    ours, peer = [], []
    for _ in range(rounds):
        _fresh(what, large)
        ours.append(_cost("ours", what, large))
        peer.append(_cost("peer", what, large))
    _fresh(what, small)
    less, _ = _cost("ours", what, small)
    _cost("peer", what, small)
    took = statistics.median(cpu for cpu, _ in ours)
    ratios = sorted(a / b for (a, _), (b, _) in zip(ours, peer, strict=True))
    return Figure(
        name=what,
        ours_s=took,
        peer_s=statistics.median(cpu for cpu, _ in peer),
        ratio=statistics.median(ratios),
        lowest=ratios[0],
        highest=ratios[-1],
        exponent=math.log(took / less) / math.log(growth),
        megabytes=max(peak for _, peak in ours),
    )


def slower(before: list[dict[str, Any]], now: list[Figure]) -> list[str]:
    """What got slower than the noise of the earlier run."""
    old = {row["name"]: row for row in before}
    return [
        f"{figure.name}: {figure.ratio:.2f} x the peer, was {old[figure.name]['ratio']:.2f}"
        for figure in now
        if figure.name in old
        and figure.ratio > old[figure.name]["highest"]
        and figure.ratio > 1.05 * old[figure.name]["ratio"]
    ]


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("names", nargs="*", metavar="NAME", help=f"only these: {', '.join(WHAT)}")
    parser.add_argument("--machines", type=int, default=300)
    parser.add_argument("--readings", type=int, default=50)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--json", type=Path)
    parser.add_argument("--compare", type=Path)
    parser.add_argument("--side", choices=("ours", "peer"), help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.side:
        what, folder = given.names
        (_ours if given.side == "ours" else _peer)(what, Path(folder))
        return
    growth = 4
    figures = []
    print(f"{given.machines} machines x {given.readings} readings of 7 x 7; {platform.machine()}, one BLAS thread")
    print(f"{'':10}{'ours':>9}{'peer':>9}{'ours / peer':>22}{'exponent':>10}{'peak':>9}")
    with tempfile.TemporaryDirectory() as name:
        small, large = Path(name) / "small", Path(name) / "large"
        _farm(small, max(1, given.machines // growth), given.readings)
        _farm(large, given.machines, given.readings)
        for what in WHAT:
            if given.names and what not in given.names:
                continue
            if what in ("assess", "warm", "report") and not (large / "farmwatch.duckdb").exists():
                for folder in (small, large):
                    _cost("ours", "ndjson", folder)
                    _cost("peer", "ndjson", folder)
            one = measure(what, small, large, growth, given.rounds)
            figures.append(one)
            print(
                f"{one.name:10}{one.ours_s:7.2f} s{one.peer_s:7.2f} s"
                f"{one.ratio:9.2f} ({one.lowest:.2f} to {one.highest:.2f}){one.exponent:9.2f}{one.megabytes:6.0f} MB",
                flush=True,
            )
    if given.json:
        given.json.write_text(json.dumps([asdict(one) for one in figures], indent=1) + "\n", encoding="utf-8")
    for line in slower(json.loads(given.compare.read_text(encoding="utf-8")), figures) if given.compare else ():
        print(f"slower: {line}")


if __name__ == "__main__":
    main()
