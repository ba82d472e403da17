"""Polls in a forked child that is killed at a random moment, again and again; what stands in the database is checked.

A process of its own, `python -m tests.service.kill_nine DATABASE ADDRESS MACHINES TIMES SEED`: it imports everything
once and forks before it has a thread.
"""

from __future__ import annotations

import os
import random
import signal
import sys
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

from tests.service.farm import names, polling, settings_in

__all__ = ["main"]


def main(arguments: list[str]) -> None:
    """Kill the child `TIMES` times; prints how many rounds of polls the children had finished."""
    database, address, machines, times, seed = Path(arguments[0]), arguments[1], *map(int, arguments[2:])
    rng = random.Random(seed)
    rounds = 0
    for turn in range(times):
        reading, writing = os.pipe()
        child = os.fork()
        if child == 0:
            os.close(reading)
            _poll_for_ever(database, address, machines, turn, writing)
        os.close(writing)
        rounds += _after_some(reading, child, rng)
    print(rounds)


def _poll_for_ever(database: Path, address: str, machines: int, turn: int, writing: int) -> None:
    settings = settings_in(database.parent, address, names(machines))
    found = polling(settings)
    now = datetime(2026, 11, 23, tzinfo=UTC) + timedelta(days=turn)
    while True:
        found.step(now, lambda at=now: at)  # type: ignore[misc]
        os.write(writing, b".")
        now += timedelta(minutes=6)


def _after_some(reading: int, child: int, rng: random.Random) -> int:
    """Let the child finish a round or two, kill it in the middle of the next; returns the rounds."""
    wanted, done = rng.randrange(1, 4), 0
    while done < wanted:
        said = os.read(reading, 100)
        if not said:
            break
        done += len(said)
    time.sleep(rng.uniform(0.0, 0.08))
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    os.close(reading)
    return done


if __name__ == "__main__":
    main(sys.argv[1:])
