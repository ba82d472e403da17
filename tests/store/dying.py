"""Kills inside the calls by which DuckDB writes: every call of a round, or one at random, again and again.

    LD_PRELOAD=LIBRARY python -m tests.store.dying WHAT FOLDER NUMBER [unguarded]

`every`: kills at each call of one round on copies of a database, with NUMBER different parts of the write done before.
`first`: as `every`, of the round that makes the database. `random`: one database lives through NUMBER kills. `timed`:
through as many by the clock, wherever they fall. `unguarded`: without what guards the checkpoint. Prints kills, torn,
lost. Forks, so that all is loaded once.
"""

from __future__ import annotations

import ctypes
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path

from farmwatch.store import PollRecord, Store, StoreError, undo
from tests.store.conftest import make_reading

__all__ = ["SOURCE", "Toll", "toll"]

SOURCE = Path(__file__).with_name("dying.c")
PAGE = 4096
# Bytes of a write that are done when the process dies: a torn header, a torn block, all of it.
PARTS = (0, PAGE, 512, 2 * PAGE, 5 * PAGE, 12 * PAGE, 40 * PAGE, 1 << 30)
ROUNDS_BEFORE = 6
MOST_CALLS = 200


@dataclass(frozen=True, slots=True)
class Toll:
    """How many kills there were, after how many of them the database could not be opened, or lacked a round."""

    kills: int
    torn: int
    lost: int


def toll(library: Path, what: str, folder: Path, number: int, *more: str, seconds: float = 600) -> Toll:
    """The same in a process of its own."""
    command = [sys.executable, "-m", "tests.store.dying", what, str(folder), str(number), *more]
    done = subprocess.run(
        command, env={**os.environ, "LD_PRELOAD": str(library)}, capture_output=True, text=True,
        timeout=seconds, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return Toll(*map(int, done.stdout.split()))


def _write(path: Path, first: int, rounds: int, at: int = 0, part: int = 0, told: int = -1) -> None:
    """Some rounds, each told once it is committed; killed at call `at`."""
    if at:
        ctypes.CDLL(None).dying_arm(str(path.parent).encode(), ctypes.c_long(at), ctypes.c_long(part))
    store = Store(path)
    for number in range(first, first + rounds):
        new = [
            make_reading(hours=number, seed=20 * number + k, machine=f"heron-{k:02d}") for k in range(number % 7 + 1)
        ]
        store.add_round(new, [PollRecord(machine=one.machine, at=one.taken_at, outcome="new") for one in new])
        if number % 5 == 4:
            store.thin_polls(new[0].taken_at - timedelta(hours=10))
        if told >= 0:
            os.write(told, b".")


def _forked(act: Callable[[], None]) -> int:
    """Act in a forked child; returns how it ended, as `os.waitstatus_to_exitcode` has it."""
    child = os.fork()
    if child == 0:
        code = 1
        try:
            act()
            code = 0
        except StoreError as fault:
            print(fault, file=sys.stderr)
            code = 3
        except AssertionError:
            code = 4
        finally:
            os._exit(code)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


def _killed(path: Path, first: int, rounds: int, at: int, part: int) -> tuple[bool, int]:
    """Whether it was killed at all, and how many rounds were promised before."""
    reading, writing = os.pipe()
    code = _forked(lambda: _write(path, first, rounds, at, part, writing))
    os.close(writing)
    promised = len(os.read(reading, MOST_CALLS))
    os.close(reading)
    assert code in (0, -9), code
    return code == -9, promised


def _whole(path: Path, promised: int) -> int:
    """0, or 3 where it cannot be read, or 4 where a promised round is not there."""

    def look() -> None:
        store = Store(path)
        found = {one.taken_at for one in store.reading_slice(0, 1 << 30)}
        histories = store.histories()
        assert len(found) >= promised
        assert sum(len(one.taken_at) for one in histories.values()) == store.reading_count()
        # It can be written, too.
        store.check()

    return _forked(look)


def _every(folder: Path, parts: int, before: int) -> Iterator[int]:
    template = folder / "template"
    template.mkdir(parents=True)
    if before:
        assert _forked(lambda: _write(template / "farm.duckdb", 0, before)) == 0
    for part in PARTS[:parts]:
        for at in range(1, MOST_CALLS):
            place = folder / f"{part}-{at}"
            shutil.copytree(template, place)
            path = place / "farm.duckdb"
            was_killed, promised = _killed(path, before, 2, at, part)
            if not was_killed:
                break
            yield _whole(path, before + promised)
            shutil.rmtree(place)


def _timed(path: Path, first: int, rng: random.Random) -> int:
    """Write until killed by the clock; returns how many rounds were promised before."""
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        _write(path, first, 1000, told=writing)
    os.close(writing)
    told = len(os.read(reading, 1))
    time.sleep(rng.uniform(0.0, 0.08))
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    told += len(os.read(reading, MOST_CALLS))
    os.close(reading)
    return told


def _lives(folder: Path, kills: int, *, timed: bool) -> Iterator[int]:
    rng = random.Random(kills)
    path, first = folder / "farm.duckdb", 0
    folder.mkdir(parents=True)
    for _ in range(kills):
        if timed:
            promised = _timed(path, first, rng)
        else:
            part = rng.choice(PARTS) + PAGE * rng.randrange(8)
            was_killed, promised = _killed(path, first, 10, rng.randrange(1, 120), part)
            assert was_killed
        code = _whole(path, first + promised)
        yield code
        # The round under way may be there or not; the next has its number again.
        first += promised
        if code == 3 or first > 300:
            shutil.rmtree(folder)
            folder.mkdir()
            first = 0
    shutil.rmtree(folder)


def main(what: str, folder: Path, number: int, *more: str) -> Toll:
    if "unguarded" in more:
        undo._keep = lambda *_: None
    if what in ("random", "timed"):
        found = list(_lives(folder, number, timed=what == "timed"))
    else:
        found = list(_every(folder, number, 0 if what == "first" else ROUNDS_BEFORE))
    assert set(found) <= {0, 3, 4}, found
    return Toll(len(found), found.count(3), found.count(4))


if __name__ == "__main__":
    done = main(sys.argv[1], Path(sys.argv[2]), int(sys.argv[3]), *sys.argv[4:])
    print(done.kills, done.torn, done.lost)
