"""What the service costs at 1,000 machines every 5 minutes, and how fast commands answer beside it on 1 M readings.

Run: python tests/benchmarks/bench_service.py [--machines 1000] [--readings 1000] [--minutes 5] [--runs 5] [--short]

A database of machines x readings (one a day up to now) is built; a child process plays the hosts, each of which has
a new mesh every few hours; `farmwatch run` is started on them as anybody would. Printed are

1. the time from start to the first answer that is stored;
2. processor time and memory of the service's own process (/proc), the first minute apart; of the processes that it
   sends errands to, apart;
3. wall time of commands beside it, medians, and their ratio to `farmwatch --help` in the same run.
"""

from __future__ import annotations

import argparse
import asyncio
import multiprocessing
import os
import signal
import statistics
import subprocess
import sys
import tempfile
import time
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from multiprocessing.connection import Connection
from pathlib import Path

import numpy as np

from farmwatch.store import ReadingColumns, Store
from farmwatch.store.reading_facts import objects

__all__ = ["main"]

SIDE = 7
AXIS = np.linspace(10.0, 210.0, SIDE)
NEW_EVERY_SECONDS = 4 * 3600
TICKS = os.sysconf("SC_CLK_TCK")

CONFIG = """\
machines_file = "machines.csv"
[farm]
name = "Saltmarsh Tidegate Works"
timezone = "Europe/Dublin"
database = "farmwatch.duckdb"
reports = "reports"
[poll]
every_minutes = {every}
[service]
listen = "127.0.0.1:{port}"
[models.tideframe-220]
lead_mm = 8.0
pulley_teeth = 20
clockwise = "raises"
screws = [
  {{ name = "front-left", at = [20, 10] }},
  {{ name = "front-right", at = [200, 10] }},
  {{ name = "rear", at = [110, 215], reference = true }},
]
[mappings.survey-rows]
path = "/v1/survey/latest"
heights = "$.survey.grid"
x = "$.survey.x"
y = [10, 210]
taken_at = "$.survey.finished"
"""


def main(arguments: list[str] | None = None) -> None:
    """Run all of it and print the figures."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--machines", type=int, default=1000)
    parser.add_argument("--readings", type=int, default=1000, help="of each machine")
    parser.add_argument("--every", type=float, default=5.0, help="minutes between polls of a machine")
    parser.add_argument("--minutes", type=float, default=5.0, help="how long to watch the service after its first one")
    parser.add_argument("--runs", type=int, default=5, help="of each command")
    parser.add_argument("--short", action="store_true")
    parser.add_argument("--folder", type=Path, help="keep the farm here")
    given = parser.parse_args(arguments)
    if given.short:
        given.machines, given.readings, given.every, given.minutes, given.runs = 40, 50, 0.1, 0.1, 2
    with tempfile.TemporaryDirectory() as made, hosts() as port:
        folder = given.folder or Path(made)
        write_farm(folder, given.machines, given.every, port)
        again = (folder / "farmwatch.duckdb").exists()
        stored = fill(Store(folder / "farmwatch.duckdb", memory_limit="1GB"), given.machines, given.readings)
        print(f"{given.machines} machines every {given.every:g} min, {stored:,} readings stored before")
        watch_service(folder, given.minutes, given.runs, short=given.short, first=not again)


def watch_service(folder: Path, minutes: float, runs: int, *, short: bool, first: bool) -> None:
    """Start the service, watch it, and time the commands beside it."""
    command = [sys.executable, "-m", "farmwatch", "--config", str(folder / "config.toml")]
    log = folder / "log"
    with log.open("wb") as stream:
        start = time.monotonic()
        service = subprocess.Popen([*command, "run"], stderr=stream)
        try:
            print(f"start to first poll answered {first_poll(log, start):.2f} s")
            settle = time.monotonic() + (5 if short else 60)
            if first:
                wait_for(log, "event=night", 120 if short else 1800)
            time.sleep(max(0.0, settle - time.monotonic()))
            print(f"  up to the end of first look and night: {usage(service.pid, time.monotonic() - start)}")
            spent, errands, begin = cpu_of(service.pid), children_cpu(service.pid), time.monotonic()
            time_commands(command, runs)
            while time.monotonic() < begin + minutes * 60:
                time.sleep(0.5)
            wall = time.monotonic() - begin
            share = (cpu_of(service.pid) - spent) / wall
            print(
                f"  then, over {wall:.0f} s with the commands beside it: {share:.2%} of one core, {memory(service.pid)}"
            )
            total = children_cpu(service.pid)
            print(
                f"  errands (processes of their own): {(total - errands) / wall:.2%} of one core over the same time; "
                f"{total:.1f} s processor time in all, first look and night among them"
            )
        finally:
            service.send_signal(signal.SIGTERM)
            ended = time.monotonic()
            code = service.wait(30)
            print(f"TERM to end {time.monotonic() - ended:.2f} s, exit {code}")
    lines = log.read_text().splitlines()
    polls, errors = (sum(word in line for line in lines) for word in (" event=poll ", "level=error"))
    print(f"  {polls} polls, {errors} errors")


def time_commands(command: list[str], runs: int) -> None:
    """Median wall seconds by command, by turns, and the ratio to `--help`."""
    name = "heron-00007"
    cases = {
        "--help": ["--help"],
        "fleet": ["fleet"],
        f"machine {name}": ["machine", name],
        f"assess --machine {name} --json": ["assess", "--machine", name, "--json"],
    }
    taken: dict[str, list[float]] = {case: [] for case in cases}
    for _ in range(runs):
        for case, words in cases.items():
            begin = time.monotonic()
            subprocess.run([*command, *words], check=True, stdout=subprocess.DEVNULL)
            taken[case].append(time.monotonic() - begin)
    peer = statistics.median(taken["--help"])
    print("commands beside the service, wall, median (ratio to --help)")
    for case, times in taken.items():
        middle = statistics.median(times)
        print(f"  {case:36} {middle:.2f} s  ({middle / peer:.1f})  worst {max(times):.2f} s")


def first_poll(log: Path, start: float) -> float:
    """Seconds from `start` to the first line of a poll."""
    wait_for(log, "event=poll", 30)
    return time.monotonic() - start


def wait_for(log: Path, word: str, seconds: float) -> None:
    """Wait until a word stands in the log."""
    end = time.monotonic() + seconds
    while word not in log.read_text():
        if time.monotonic() > end:
            raise SystemExit(f"no {word} in the log within {seconds:g} s:\n{log.read_text()[-2000:]}")
        time.sleep(0.02)


def usage(pid: int, wall: float) -> str:
    """Processor share and memory since its start."""
    return f"{cpu_of(pid) / wall:.2%} of one core over {wall:.0f} s, {memory(pid)}"


def cpu_of(pid: int) -> float:
    """Processor seconds of a process, its children not counted."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / TICKS


def children_cpu(pid: int) -> float:
    """Processor seconds of its children that have ended."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[13]) + int(fields[14])) / TICKS


def memory(pid: int) -> str:
    """Resident memory now and at most."""
    found = dict(line.split(":", 1) for line in Path(f"/proc/{pid}/status").read_text().splitlines())
    now, most = (int(found[key].split()[0]) / 1024 for key in ("VmRSS", "VmHWM"))
    return f"{now:.0f} MB resident, {most:.0f} MB at most"


def fill(store: Store, machines: int, readings: int) -> int:
    """One reading a machine and day up to yesterday, in time order; a tenth of the machines drift or have jumped."""
    now = datetime.now(UTC)
    if store.path.exists():
        return store.reading_count()
    rng = np.random.default_rng(1)
    names = objects([f"heron-{i:05}" for i in range(machines)])
    form = rng.normal(0.0, 0.01, (machines, SIDE * SIDE))
    slope = np.where(np.arange(machines) % 10 == 0, 0.3 / max(readings, 1), 0.0)
    along = np.tile(np.linspace(0.0, 1.0, SIDE), SIDE)
    total = 0
    for day in range(readings):
        z = form + along * (slope * day)[:, None] + rng.normal(0.0, 0.005, form.shape)
        if day > readings * 0.8:
            z[5::50] += 0.4 * along
        taken = int((now - timedelta(days=readings - day)).timestamp() * 1e6) + np.arange(machines)
        total += store.add_readings(
            ReadingColumns(
                machine=names,
                taken_at=taken,
                grid=np.zeros(machines, dtype=np.int64),
                grids=((AXIS, AXIS),),
                # Hosts write a few decimals, not all that a float can hold; DuckDB keeps those in a third of the room.
                heights=np.round(z, 4).ravel(),
                range_mm=np.ptp(z, axis=1),
                digest=objects([f"{day}-{i}" for i in range(machines)]),
                facts={
                    "bed_celsius": np.full(machines, 60.0),
                    "plate": objects([None] * machines),
                    "seen_at": taken,
                    "time_from": objects(["host"] * machines),
                    "celsius_is": objects(["at-probing"] * machines),
                    "during_work": np.zeros(machines, dtype=bool),
                    "read_by": objects([None] * machines),
                },
            )
        )
    return total


def write_farm(folder: Path, machines: int, every: float, port: int) -> None:
    """Configuration and machines; the hosts are loopback addresses behind one port."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "config.toml").write_text(CONFIG.format(every=every, port=0))
    rows = [
        f"heron-{i:05},heron,tideframe-220,survey-rows,http://127.1.{i // 250}.{i % 250 + 1}:{port}"
        for i in range(machines)
    ]
    (folder / "machines.csv").write_text("\n".join(["name,aisle,model,mapping,address", *rows]) + "\n")


@contextmanager
def hosts() -> Iterator[int]:
    """The hosts in a child process; yields their port."""
    ours, theirs = multiprocessing.Pipe()
    child = multiprocessing.get_context("spawn").Process(target=_serve, args=(theirs,), daemon=True)
    child.start()
    try:
        yield ours.recv()
    finally:
        child.terminate()
        child.join()


def _serve(pipe: Connection) -> None:
    async def listen() -> None:
        server = await asyncio.get_running_loop().create_server(_Host, "0.0.0.0", 0)
        pipe.send(server.sockets[0].getsockname()[1])
        await server.serve_forever()

    asyncio.run(listen())


class _Host(asyncio.Protocol):
    """A host with a new mesh every few hours, at its own time."""

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self.transport = transport
        # Not `hash`, which is another in every process: a farm that is kept would show meshes from before its newest.
        self.number = zlib.crc32(transport.get_extra_info("sockname")[0].encode())

    def data_received(self, data: bytes) -> None:
        if data.endswith(b"\r\n\r\n"):
            self.transport.write(_answer(self.number))  # type: ignore[attr-defined]


def _answer(host: int) -> bytes:
    shift = host % NEW_EVERY_SECONDS
    turn = (int(time.time()) + shift) // NEW_EVERY_SECONDS
    taken = datetime.fromtimestamp(turn * NEW_EVERY_SECONDS - shift, UTC).isoformat()
    rng = np.random.default_rng([host, turn])
    grid = np.round(rng.normal(0.0, 0.01, (SIDE, SIDE)), 4).tolist()
    body = f'{{"survey":{{"grid":{grid},"x":{AXIS.tolist()},"finished":"{taken}"}}}}'.encode()
    head = f"HTTP/1.1 200 OK\r\nContent-Type: application/json\r\nContent-Length: {len(body)}\r\n\r\n"
    return head.encode() + body


if __name__ == "__main__":
    main()
