"""Tells systemd how the service does, by the protocol of sd_notify(3); nothing happens where nobody listens."""

from __future__ import annotations

import os
import socket
import time
from collections.abc import Mapping

__all__ = ["Notifier"]


class Notifier:
    """Sends states to the socket named in NOTIFY_SOCKET; `watchdog_seconds` None where no watchdog waits."""

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
