"""Time as the service lives by it: steps repeated by the steady clock, and an eye on the clock that people set.

How long to wait is measured on the monotonic clock, which nobody sets; what is due is asked of the clock on the wall.
So a clock that is set by any amount, either way, moves no wait and makes nothing happen twice: each step looks at the
new time once.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable

__all__ = ["ClockWatch", "Repeater"]

JUMP_SECONDS = 5.0


class Repeater:
    """Calls a step again and again in a thread of its own; what the step raises goes to `ended`, and it goes on.

    step: called every `seconds()` (from one start to the next), and at once after `wake`. ended: called after each
    step with what it raised, or None. Ends when `stop` is set and it was woken.
    """

    def __init__(
        self,
        name: str,
        step: Callable[[], object],
        seconds: Callable[[], float],
        stop: threading.Event,
        ended: Callable[[str, Exception | None], None],
    ) -> None:
        self.name = name
        self._step = step
        self._seconds = seconds
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
            begin = time.monotonic()
            try:
                self._step()
            except Exception as fault:
                self._ended(self.name, fault)
            else:
                self._ended(self.name, None)
            if not self._stop.is_set():
                # `Event.wait` counts on the monotonic clock.
                self._wake.wait(max(0.0, self._seconds() - (time.monotonic() - begin)))


class ClockWatch:
    """Notices that the clock was set, or that the computer slept, beside a clock that nobody sets."""

    def __init__(self, wall: float, steady: float) -> None:
        self._wall, self._steady = wall, steady

    def jumped(self, wall: float, steady: float) -> float:
        """By how many seconds the clock has left the steady one since the last call; 0.0 for what is no jump."""
        gap = (wall - self._wall) - (steady - self._steady)
        self._wall, self._steady = wall, steady
        return gap if abs(gap) >= JUMP_SECONDS else 0.0
