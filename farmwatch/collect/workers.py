"""The workers of a poll: threads that ask addresses side by side, one question at a time per address."""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime

from farmwatch.collect.attempt import PollAttempt, fetch_mesh
from farmwatch.collect.connection import Address
from farmwatch.collect.fetch import Fetcher, Stopped
from farmwatch.collect.mapping import Reader
from farmwatch.config import Machine, Settings

__all__ = ["PollWorkers", "in_turn"]

TICK_SECONDS = 0.05


def in_turn(due: Sequence[Machine], slow: set[str]) -> list[list[Machine]]:
    """Machines by address, in the order in which addresses are asked.

    Those that ran into the deadline last time stand spread through the first half: at the end the whole poll would
    wait for them, and all at the head they would hold up the rest.
    """
    groups: dict[Address | str, list[Machine]] = {}
    for machine in due:
        groups.setdefault(_address(machine), []).append(machine)
    late = [group for group in groups.values() if any(machine.name in slow for machine in group)]
    rest = [group for group in groups.values() if not any(machine.name in slow for machine in group)]
    step = len(rest) // 2 // len(late) if late else 0
    turns: list[list[Machine]] = []
    for number, group in enumerate(late):
        turns += [group, *rest[number * step : (number + 1) * step]]
    return turns + rest[len(late) * step :]


def _address(machine: Machine) -> Address | str:
    try:
        return Address.of(machine.address or "")
    except ValueError:
        return machine.name


class PollWorkers:
    """Threads that ask: each takes the next address, asks its machines one after the other, and hands the answers on.

    A machine costs two steps of a queue: no future of its own, no change of threads.
    """

    def __init__(
        self,
        settings: Settings,
        fetcher: Fetcher,
        clock: Callable[[], datetime],
        turns: Sequence[Sequence[Machine]],
        stop: threading.Event,
    ) -> None:
        self._settings = settings
        self._fetcher = fetcher
        self._clock = clock
        self._stop = stop
        used = {machine.mapping for turn in turns for machine in turn if machine.mapping}
        self._readers = {name: Reader(settings.mappings[name]) for name in used}
        self._turns = deque(turns)
        self._over = False
        self._answers: deque[PollAttempt | BaseException] = deque()
        self._working = min(settings.poll.at_once, len(turns))
        self._lock = threading.Lock()
        self._done = threading.Event()
        self._pool = ThreadPoolExecutor(max(self._working, 1), "farmwatch-poll")

    def __enter__(self) -> PollWorkers:
        return self

    def __exit__(self, *_: object) -> None:
        self._over = True
        self._turns.clear()
        if self._working:
            self._fetcher.stop()
        self._pool.shutdown()

    def answers(self) -> Iterator[PollAttempt | None]:
        """Answers as they come, None after each short while; a bug of ours is raised when all are through."""
        bugs: list[BaseException] = []
        # Before the first thread starts: it may be through with everything by the next line.
        done = not self._working
        for _ in range(self._working):
            self._pool.submit(self._work)
        while not done:
            # Woken by the clock and not by every answer: that would cost a change of threads each.
            done = self._done.wait(TICK_SECONDS)
            while self._answers:
                answer = self._answers.popleft()
                if isinstance(answer, PollAttempt):
                    yield answer
                else:
                    bugs.append(answer)
            yield None
            if self._stop.is_set():
                self._turns.clear()
                self._fetcher.stop()
        if bugs:
            raise bugs[0]

    def _work(self) -> None:
        try:
            while not self._stop.is_set():
                for machine in self._turns.popleft():
                    self._ask(machine)
        except IndexError:
            # No address is left.
            pass
        finally:
            with self._lock:
                self._working -= 1
                if not self._working:
                    self._done.set()

    def _ask(self, machine: Machine) -> None:
        if self._over or self._stop.is_set():
            return
        try:
            reader = self._readers[machine.mapping or ""]
            self._answers.append(fetch_mesh(self._settings, machine, self._fetcher, self._clock, reader))
        except Stopped:
            # It says nothing about the host, so it leaves no record.
            return
        except Exception as bug:
            self._answers.append(bug)
