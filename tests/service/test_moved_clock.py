"""The service as a real process under a clock that is set by 56 years: asleep, polling, at the night's work."""

from __future__ import annotations

import struct
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

import psutil
import pytest

from tests.collect.hosts import serving
from tests.native import COMPILER, compiled
from tests.service.farm import Beds, names, write_config
from tests.service.test_running import Running

BOARD = datetime(1970, 1, 1, 6, 0, tzinfo=UTC)
NOW = datetime(2026, 11, 23, 9, 0, tzinfo=UTC)
FAR = datetime(2082, 11, 23, 9, 0, tzinfo=UTC)
LOOK_SECONDS = 5.0

# `farmwatch run`, whose night's work takes a while; the process of a job begins by reading this file, too.
SLOW_NIGHT = """
import sys, time
from farmwatch.__main__ import main
from farmwatch.service import jobs

done = jobs.do

def slow(job, store):
    if job.kind == "night":
        print("night begins", file=sys.stderr, flush=True)
        time.sleep(3)
    return done(job, store)

jobs.do = slow
if __name__ == "__main__":
    sys.argv[0] = "farmwatch"
    main()
"""


class Clock:
    """The file that says by how much a process's clock is off."""

    def __init__(self, path: Path, at: datetime) -> None:
        self.path = path
        self.path.write_bytes(b"\0" * 8)
        self.set(at)

    def set(self, at: datetime) -> None:
        with self.path.open("r+b") as file:
            file.write(struct.pack("q", int(at.timestamp() - time.time())))


class Host:
    """A machine's host that can be held up in the middle of an answer."""

    def __init__(self) -> None:
        self.go = threading.Event()
        self.go.set()
        self.asked = 0
        self._beds = Beds(names(1))
        self.scripts = {"/heron-01": self._answer}

    def _answer(self, handler: object) -> object:
        self.asked += 1
        self.go.wait(20)
        return self._beds.scripts["/heron-01"](handler)


@contextmanager
def under(folder: Path, at: datetime) -> Iterator[tuple[Running, Clock, Host]]:
    host = Host()
    clock = Clock(folder / "clock", at)
    library = compiled(Path(__file__).with_name("moved.c"), folder)
    program = folder / "program.py"
    program.write_text(SLOW_NIGHT)
    with serving(host.scripts) as server:
        config = write_config(folder, server.address, names(1), every=30)
        config.write_text(config.read_text().replace("deadline_seconds = 2", "deadline_seconds = 20"))
        service = Running(config, program=(str(program),), LD_PRELOAD=str(library), MOVED_CLOCK=str(clock.path))
        try:
            yield service, clock, host
        finally:
            host.go.set()
            if service.process.poll() is None:
                service.process.kill()
            service.process.communicate()


@pytest.mark.long
@COMPILER
@pytest.mark.timeout(300)
@pytest.mark.parametrize(
    ("before", "after", "state"),
    [
        (NOW, BOARD, "asleep"), (NOW, FAR, "asleep"), (BOARD, NOW, "asleep"),
        (NOW, BOARD, "polling"), (NOW, FAR, "polling"), (BOARD, NOW, "polling"),
        (NOW, BOARD, "at night's work"), (NOW, FAR, "at night's work"),
    ],
)  # fmt: skip
def test_a_clock_set_by_56_years_costs_a_round_and_no_memory_and_term_ends_it(
    tmp_path: Path, before: datetime, after: datetime, state: str
) -> None:
    with under(tmp_path, before) as (service, clock, host):
        if state == "polling":
            host.go.clear()
        service.wait_for("event=started")
        if state == "polling":
            while not host.asked:
                time.sleep(0.02)
        else:
            service.wait_for("event=poll ")
        if state == "at night's work":
            service.wait_for("night begins")
        elif state == "asleep" and before == NOW:
            service.wait_for("event=night")
        asked = host.asked
        process = psutil.Process(service.process.pid)
        memory, used = process.memory_info().rss, sum(process.cpu_times()[:2])
        clock.set(after)
        service.wait_for("event=clock-moved")
        host.go.set()
        time.sleep(LOOK_SECONDS)
        grown = (process.memory_info().rss - memory) / 2**20
        used = sum(process.cpu_times()[:2]) - used
        rounds = host.asked - asked
        health = service.ask("/health")
        code, seconds = service.end()
        print(
            f"{before:%Y} to {after:%Y} {state}: {memory / 2**20:.0f} MB {grown:+.1f} MB, "
            f"{used:.2f} s of {LOOK_SECONDS:g} s, rounds {rounds}, TERM {seconds:.1f} s"
        )
        assert rounds <= 1 + (state == "polling")
        assert grown < 32
        assert used < LOOK_SECONDS / 2
        assert ("the clock says 1970" in health[2]) == (after == BOARD), health
        assert seconds < 10
        assert code == 0, "".join(service.lines)
