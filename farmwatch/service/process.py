"""The process among others: its signals, what it tells systemd, the lock that makes it the only one on a database."""

from __future__ import annotations

import fcntl
import logging
import os
import queue
import signal
import socket
import threading
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from types import FrameType, TracebackType
from typing import Self

from farmwatch.errors import FarmwatchError
from farmwatch.files import how_to_own

__all__ = ["AlreadyRunning", "Notifier", "Signals", "is_running", "only_one"]


_log = logging.getLogger(__name__)
_ENDING = frozenset({signal.SIGTERM, signal.SIGINT})


class Signals:
    """Signals as something to wait for, from `with` on; use it in the main thread.

    Libraries start threads of their own as they are imported, so signals cannot be blocked in every thread. A handler
    in C writes the signal's number into a pipe, from whichever thread it interrupts; no Python runs in a handler.
    `hard_end_seconds` after TERM or INT the process ends, whatever hangs in it.
    """

    def __init__(self, *wanted: signal.Signals, hard_end_seconds: float | None = None) -> None:
        self._wanted = wanted
        self._hard_end_seconds = hard_end_seconds
        self._taken: queue.SimpleQueue[signal.Signals] = queue.SimpleQueue()
        self._reading, self._writing = os.pipe2(os.O_CLOEXEC)
        os.set_blocking(self._writing, False)
        self._thread = threading.Thread(target=self._read, name="farmwatch-signals", daemon=True)

    def __enter__(self) -> Self:
        self._before = {number: signal.signal(number, _take) for number in self._wanted}
        for number in self._wanted:
            # System calls that a signal cuts short go on by themselves.
            signal.siginterrupt(number, False)
        self._before_fd = signal.set_wakeup_fd(self._writing, warn_on_full_buffer=False)
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        signal.set_wakeup_fd(self._before_fd)
        for number, handler in self._before.items():
            signal.signal(number, handler)
        os.close(self._writing)
        # The pipe has no writer any more, so the thread has come to its end.
        self._thread.join()
        os.close(self._reading)

    def wait(self, seconds: float) -> signal.Signals | None:
        """The next signal, or None after so many seconds without."""
        try:
            return self._taken.get(timeout=seconds)
        except queue.Empty:
            return None

    def _read(self) -> None:
        while found := os.read(self._reading, 1):
            if found[0] not in self._wanted:
                continue
            taken = signal.Signals(found[0])
            self._taken.put(taken)
            if taken in _ENDING and self._hard_end_seconds is not None:
                # Not the main thread: that may be what hangs.
                timer = threading.Timer(self._hard_end_seconds, _end_hard)
                timer.daemon = True
                timer.start()


def _end_hard() -> None:
    _log.error("ended-hard", extra={"fields": {"words": "something hangs that cannot be cut; nothing stored is lost"}})
    os._exit(1)


def _take(_number: int, _frame: FrameType | None) -> None:
    """The pipe has it."""


class Notifier:
    """Sends states to the socket named in NOTIFY_SOCKET, by the protocol of sd_notify(3); nothing where none is named.

    `watchdog_seconds` is None where no watchdog waits.
    """

    def __init__(self, environment: Mapping[str, str]) -> None:
        self._address = environment.get("NOTIFY_SOCKET", "")
        self.watchdog_seconds = _watchdog(environment)

    def ready(self, status: str) -> None:
        """The service polls, with these words on how it does."""
        self._run_job(f"READY=1\nSTATUS={_line(status)}")

    def status(self, words: str) -> None:
        """A line for `systemctl status`."""
        self._run_job(f"STATUS={_line(words)}")

    def reloading(self) -> None:
        """The configuration is read anew; `ready` follows."""
        self._run_job(f"RELOADING=1\nMONOTONIC_USEC={time.monotonic_ns() // 1000}")

    def stopping(self) -> None:
        """The service ends."""
        self._run_job("STOPPING=1\nSTATUS=storing what was read")

    def alive(self) -> None:
        """The watchdog is fed."""
        self._run_job("WATCHDOG=1")

    def _run_job(self, state: str) -> None:
        if not self._address.startswith(("/", "@")):
            return
        # A leading @ stands for the null byte of an abstract socket.
        address = "\0" + self._address[1:] if self._address[0] == "@" else self._address
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as sock:
                sock.settimeout(1.0)
                sock.sendto(state.encode("utf-8", "replace"), address)
        except OSError:
            # Whoever listened is gone; the service is not the worse for it.
            return


def _watchdog(environment: Mapping[str, str]) -> float | None:
    given, whose = environment.get("WATCHDOG_USEC", ""), environment.get("WATCHDOG_PID", "")
    if not given.isdigit() or (whose and whose != str(os.getpid())):
        return None
    return int(given) / 1e6 or None


def _line(words: str) -> str:
    return " ".join(words.split())


class AlreadyRunning(FarmwatchError):
    """Another service works on this database; the message names it."""


@contextmanager
def only_one(database: Path, now: datetime) -> Iterator[None]:
    """Hold `<database>.service` meanwhile; raises AlreadyRunning where another process does, FarmwatchError where the
    file cannot be made.

    The system lets go of the lock however the process ends, so nothing stale is left to clear away.
    """
    path = _lock_file(database)
    try:
        descriptor = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
    except OSError as fault:
        raise FarmwatchError(f"{path}: cannot be made ({fault.strerror}); {how_to_own(path)}") from fault
    try:
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            raise AlreadyRunning(_holder(path, descriptor)) from None
        os.ftruncate(descriptor, 0)
        _write(descriptor, f"process {os.getpid()} since {now.astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}\n")
        yield
        os.ftruncate(descriptor, 0)
    finally:
        os.close(descriptor)


def is_running(database: Path) -> bool:
    """Whether a service holds its lock beside the database."""
    try:
        with _lock_file(database).open("rb") as file:
            fcntl.flock(file, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    except OSError:
        return False
    return False


def _lock_file(database: Path) -> Path:
    return database.with_name(f"{database.name}.service")


def _write(descriptor: int, text: str) -> None:
    try:
        os.pwrite(descriptor, text.encode("ascii"), 0)
    except OSError:
        # A full disk: the lock holds all the same, it only cannot say by whom.
        os.ftruncate(descriptor, 0)


def _holder(path: Path, descriptor: int) -> str:
    said = os.pread(descriptor, 200, 0).decode("ascii", "replace").strip()
    who = said if said.startswith("process ") else "another process"
    return (
        f"{path.with_suffix('')}: a service works on this database already, {who}; "
        "every other command works beside it, a second service does not"
    )
