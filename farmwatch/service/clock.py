"""Time as the service lives by it: steps woken at their intervals, and an eye on the clock that people set.

The scheduler only wakes; each step runs in a thread of its own, so one that hangs keeps nothing else waiting. What is
due is asked of the clock on the wall. The scheduler counts by that clock, too, so its triggers never make good what was
missed (a clock set ahead by years is one wake-up), and `Schedule.moved` sets them anew when the clock was set: back by
years they would not be reached, otherwise. So each step looks at a new time once, whatever happened to the clock.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from datetime import UTC, datetime, timedelta

from apscheduler.executors.pool import ThreadPoolExecutor
from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.base import BaseTrigger

__all__ = ["ClockWatch", "Repeater", "Schedule"]

JUMP_SECONDS = 5.0


class Repeater:
    """Calls a step whenever it is woken, in a thread of its own; what the step raises goes to `ended`, and it goes on.

    ended: called after each step with what it raised, or None. Ends when `stop` is set and it was woken.
    """

    def __init__(
        self,
        name: str,
        step: Callable[[], object],
        stop: threading.Event,
        ended: Callable[[str, Exception | None], None],
    ) -> None:
        self.name = name
        self._step = step
        self._stop = stop
        self._ended = ended
        self._wake = threading.Event()
        self._thread = threading.Thread(target=self._run, name=f"farmwatch-{name}", daemon=True)

    def start(self) -> None:
        """Begin with a first step."""
        self._thread.start()

    def wake(self) -> None:
        """Let the next step begin at once, or as soon as the one under way has ended."""
        self._wake.set()

    def join(self, seconds: float) -> bool:
        """Wait for the end; returns whether it has come."""
        if self._thread.ident is not None:
            self._thread.join(max(0.0, seconds))
        return not self._thread.is_alive()

    def _run(self) -> None:
        while not self._stop.is_set():
            self._wake.clear()
            try:
                self._step()
            except Exception as fault:
                self._ended(self.name, fault)
            else:
                self._ended(self.name, None)
            if not self._stop.is_set():
                self._wake.wait()


class _Every(BaseTrigger):  # type: ignore[misc]  # the library has no types
    """Fires `seconds()` after now, whenever it fired last: what was missed is not made good."""

    def __init__(self, seconds: Callable[[], float]) -> None:
        self._seconds = seconds

    def get_next_fire_time(self, previous_fire_time: datetime | None, now: datetime) -> datetime:  # noqa: ARG002  # the name is the library's
        """The next moment; asked by the scheduler for each moment that has passed, so it must lie ahead of `now`."""
        return now + timedelta(seconds=max(0.001, self._seconds()))


class Schedule:
    """Wakes each repeater every so often: `seconds` by its name, asked anew each time."""

    def __init__(self, repeaters: Mapping[str, Repeater], seconds: Mapping[str, Callable[[], float]]) -> None:
        self._scheduler = BackgroundScheduler(
            timezone=UTC,
            # To wake takes no time: one thread does for all.
            executors={"default": ThreadPoolExecutor(1)},
            job_defaults={"coalesce": True, "max_instances": 3, "misfire_grace_time": None},
        )
        for name, repeater in repeaters.items():
            self._scheduler.add_job(repeater.wake, _Every(seconds[name]), id=name)

    def start(self) -> None:
        """Begin to wake."""
        self._scheduler.start()

    def moved(self) -> None:
        """The clock was set: wake all now, and count from here."""
        for job in self._scheduler.get_jobs():
            job.modify(next_run_time=datetime.now(UTC))

    def end(self) -> None:
        """Wake nobody any more."""
        if self._scheduler.running:
            self._scheduler.shutdown(wait=False)


class ClockWatch:
    """Notices that the clock was set, or that the computer slept, beside a clock that nobody sets."""

    def __init__(self, wall: float, steady: float) -> None:
        self._wall, self._steady = wall, steady

    def jumped(self, wall: float, steady: float) -> float:
        """By how many seconds the clock has left the steady one since the last call; 0.0 for what is no jump."""
        gap = (wall - self._wall) - (steady - self._steady)
        self._wall, self._steady = wall, steady
        return gap if abs(gap) >= JUMP_SECONDS else 0.0
