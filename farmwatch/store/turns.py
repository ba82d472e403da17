"""Whose turn it is with a database: threads of this process one by one, other processes one after the other.

DuckDB's own lock says no at once to whoever comes while another is inside, and nobody is told when it is free. A
process that opens it again and again would keep all others out. So each first takes the turn, a lock on the folder of
the database, and keeps it until DuckDB lets it in: who was inside and comes back waits behind it.
"""

from __future__ import annotations

import fcntl
import os
import random
import threading
import time
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import Self

__all__ = ["Turn", "lock_of"]

_SHORTEST_WAIT, _NEXT_WAIT, _LONGEST_WAIT = 0.005, 0.020, 0.100

_locks: dict[Path, threading.RLock] = {}
_locks_guard = threading.Lock()


def lock_of(path: Path) -> threading.RLock:
    """What keeps the threads of this process apart."""
    with _locks_guard:
        return _locks.setdefault(path, threading.RLock())


def _forget_locks() -> None:
    _locks.clear()
    _locks_guard.release()


# A forked child must not wait for a thread that did not come along.
os.register_at_fork(before=_locks_guard.acquire, after_in_parent=_locks_guard.release, after_in_child=_forget_locks)


class Turn:
    """A wait of `seconds` at the most for a turn with the databases in a folder; `with` it, and leave when inside."""

    def __init__(self, folder: Path, seconds: float) -> None:
        self.seconds = seconds
        self._folder = folder
        self._end = time.monotonic() + seconds
        self._descriptor: int | None = None
        self._has = False

    def __enter__(self) -> Self:
        # Where the folder cannot be locked (a network's), it is as if nobody else waited.
        with suppress(OSError):
            self._descriptor = os.open(self._folder, os.O_RDONLY | os.O_CLOEXEC)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._descriptor is not None:
            os.close(self._descriptor)

    def has_come(self) -> bool:
        """Whether to try now: it is our turn, or the last moment."""
        if not self._has:
            self._has = self._take()
        return self._has or self.is_over()

    def is_over(self) -> bool:
        """Whether the time is up."""
        return time.monotonic() >= self._end

    def wait(self) -> None:
        """Wait a moment, with jitter; less for who comes next."""
        time.sleep(random.uniform(_SHORTEST_WAIT, _NEXT_WAIT if self._has else _LONGEST_WAIT))

    def _take(self) -> bool:
        if self._descriptor is None:
            return True
        try:
            fcntl.flock(self._descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        except OSError:
            return True
        return True
