"""Signals as something to wait for: they are taken in by the main thread, between two of its waits, and nowhere else.

Libraries start threads of their own as they are imported, so signals cannot be blocked in every thread. A handler in
C writes the signal's number into a pipe, from whichever thread it interrupts; no Python runs in a handler.
"""

from __future__ import annotations

import contextlib
import os
import select
import signal
from types import FrameType, TracebackType
from typing import Self

__all__ = ["Signals"]


class Signals:
    """Takes the signals named from `with` on; use it in the main thread."""

    def __init__(self, *wanted: signal.Signals) -> None:
        self._wanted = wanted
        self._reading, self._writing = os.pipe2(os.O_NONBLOCK | os.O_CLOEXEC)

    def __enter__(self) -> Self:
        self._before = {number: signal.signal(number, _take) for number in self._wanted}
        for number in self._wanted:
            # System calls that a signal cuts short go on by themselves.
            signal.siginterrupt(number, False)
        self._before_fd = signal.set_wakeup_fd(self._writing, warn_on_full_buffer=False)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        signal.set_wakeup_fd(self._before_fd)
        for number, handler in self._before.items():
            signal.signal(number, handler)
        os.close(self._reading)
        os.close(self._writing)

    def wait(self, seconds: float) -> signal.Signals | None:
        """The next signal, or None after so many seconds without."""
        select.select([self._reading], [], [], seconds)
        with contextlib.suppress(BlockingIOError):
            found = os.read(self._reading, 1)[0]
            if found in self._wanted:
                return signal.Signals(found)
        return None


def _take(_number: int, _frame: FrameType | None) -> None:
    """The pipe has it."""
