"""Keeps the bell of the standby, and starts the process that answers it when it is rung.

Nothing is started until somebody asks: a farm whose people look at the report only pays nothing for it.
"""

from __future__ import annotations

import logging
import select
import socket
import subprocess
import threading
from contextlib import suppress
from pathlib import Path

from farmwatch.places import standby_socket
from farmwatch.service.logs import tell
from farmwatch.service.processes import command_line, environment

__all__ = ["Standby"]

_log = logging.getLogger(__name__)

_BACKLOG = 16
_LOOK_SECONDS = 1.0
# One that will not start is tried again, but not at once.
_AFTER_FAULT_SECONDS = 300.0
_ENDING_SECONDS = 2.0


class Standby:
    """The socket beside a database and, while it is asked for, the process behind it."""

    def __init__(self, database: Path) -> None:
        self.path = standby_socket(database)
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self._listener: socket.socket | None = None

    def start(self) -> None:
        """Bind and wait in a thread. Where that cannot be, commands load everything themselves: no more than a line."""
        try:
            self._listener = _bound(self.path)
        except OSError as fault:
            tell(_log, logging.INFO, "no-standby", path=self.path, words=fault.strerror or str(fault))
            return
        self._thread = threading.Thread(target=self._wait, name="farmwatch-standby", daemon=True)
        self._thread.start()

    def leave(self) -> None:
        """Begin to end the process, and wait for nothing."""
        self._stop.set()

    def close(self) -> None:
        """End the process and take the socket away."""
        self.leave()
        if self._thread is not None:
            self._thread.join(_ENDING_SECONDS)
        if self._listener is not None:
            self._listener.close()
            with suppress(OSError):
                self.path.unlink()

    def _wait(self) -> None:
        listener = self._listener
        assert listener is not None
        while not self._stop.is_set():
            rung, _, _ = select.select([listener], [], [], _LOOK_SECONDS)
            if rung and not self._stop.is_set() and self._attend(listener) != 0 and not self._stop.is_set():
                tell(_log, logging.WARNING, "standby-failed", words="commands load everything themselves meanwhile")
                self._stop.wait(_AFTER_FAULT_SECONDS)

    def _attend(self, listener: socket.socket) -> int:
        """Run the process until it ends or the service does; its exit code."""
        number = listener.fileno()
        with subprocess.Popen(
            command_line("farmwatch.cli.answering", str(number)),
            stdin=subprocess.PIPE,
            stdout=subprocess.DEVNULL,
            pass_fds=(number,),
            # One thread in all, since it forks; one mesh is little work for linear algebra.
            env={**environment(), "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1", "MKL_NUM_THREADS": "1"},
        ) as process:
            while process.poll() is None and not self._stop.wait(_LOOK_SECONDS):
                pass
            if process.poll() is None:
                process.terminate()
                try:
                    process.wait(_ENDING_SECONDS / 2)
                except subprocess.TimeoutExpired:
                    process.kill()
        return process.returncode


def _bound(path: Path) -> socket.socket:
    """A listening socket at a path, for this user alone; what an earlier service left there goes."""
    with suppress(FileNotFoundError):
        path.unlink()
    listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    try:
        # The mode is set before anybody can connect: nobody listens yet.
        listener.bind(str(path))
        path.chmod(0o600)
        listener.listen(_BACKLOG)
    except OSError:
        listener.close()
        raise
    return listener
