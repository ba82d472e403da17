"""A watchdog over open requests: one thread that cuts a socket when the time of its request is up.

A socket's own timeout counts from one byte to the next, so a host that drips a byte a second never meets it. Here
every request has one deadline for everything: connect, TLS, headers, chunk sizes and body. All requests share one
thread, which sleeps until the earliest deadline and is woken only by an earlier one.
"""

from __future__ import annotations

import contextlib
import heapq
import socket
import threading
import time
from types import TracebackType

__all__ = ["Deadline", "Watchdog"]


class Deadline:
    """The deadline of one request; `expired` once its time is up, `stopped` when the watchdog was told to stop all."""

    __slots__ = ("_lock", "_over", "_socket", "ends_at", "expired", "stopped")

    def __init__(self, seconds: float) -> None:
        self.ends_at = time.monotonic() + seconds
        self.expired = False
        self.stopped = False
        self._lock = threading.Lock()
        self._socket: socket.socket | None = None
        self._over = False

    def __lt__(self, other: Deadline) -> bool:
        return self.ends_at < other.ends_at

    def __enter__(self) -> Deadline:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        with self._lock:
            self._over = True
            self._socket = None

    @property
    def over(self) -> bool:
        """Whether the request has ended, one way or the other."""
        return self._over

    def left(self) -> float:
        """Seconds left, never below a millisecond: a timeout of 0 would mean "do not wait at all"."""
        return max(self.ends_at - time.monotonic(), 0.001)

    def watch(self, sock: socket.socket) -> None:
        """From now on this is the socket to cut."""
        with self._lock:
            self._socket = sock
            if self.expired:
                _cut(sock)

    def release(self) -> None:
        """No socket is in use now; the deadline runs on."""
        with self._lock:
            self._socket = None

    def expire(self, *, stopped: bool = False) -> None:
        """Cut the socket, unless the request is over (its socket may serve another one by now)."""
        with self._lock:
            if self._over:
                return
            self.expired = True
            self.stopped = self.stopped or stopped
            if self._socket is not None:
                _cut(self._socket)


class Watchdog:
    """Hands out deadlines and keeps them: its thread starts with the first deadline and ends with `close`."""

    def __init__(self) -> None:
        self._wake = threading.Condition()
        self._deadlines: list[Deadline] = []
        self._thread: threading.Thread | None = None
        self._closed = False

    def deadline(self, seconds: float) -> Deadline:
        """A deadline that expires after `seconds`; use it as a context manager."""
        deadline = Deadline(seconds)
        with self._wake:
            if self._closed:
                deadline.expire(stopped=True)
                return deadline
            heapq.heappush(self._deadlines, deadline)
            if self._thread is None:
                self._thread = threading.Thread(target=self._keep, name="farmwatch-watchdog", daemon=True)
                self._thread.start()
            elif self._deadlines[0] is deadline:
                self._wake.notify()
        return deadline

    def stop_all(self) -> None:
        """Cut every open request now."""
        with self._wake:
            deadlines, self._deadlines = self._deadlines, []
        for deadline in deadlines:
            deadline.expire(stopped=True)

    def close(self) -> None:
        """Cut every open request and end the thread."""
        with self._wake:
            self._closed = True
            self._wake.notify()
            thread = self._thread
        self.stop_all()
        if thread is not None:
            thread.join()

    def _keep(self) -> None:
        with self._wake:
            while not self._closed:
                now = time.monotonic()
                while self._deadlines and (self._deadlines[0].over or self._deadlines[0].ends_at <= now):
                    heapq.heappop(self._deadlines).expire()
                self._wake.wait(self._deadlines[0].ends_at - now if self._deadlines else None)


def _cut(sock: socket.socket) -> None:
    """End both directions, which wakes a thread that waits in recv; closing alone would not.

    `socket.socket.shutdown` by name: the method of a TLS socket takes its session away under the reader's feet.
    """
    with contextlib.suppress(OSError):
        socket.socket.shutdown(sock, socket.SHUT_RDWR)
