"""The standby: has everything loaded that the looking commands need, and runs each in a copy of itself.

    python -m farmwatch.cli.answering DESCRIPTOR

Started by the service (`farmwatch.service.standby`) with the descriptor of a listening socket; ends when nobody has
asked for a while, or when standard input, which the service holds, comes to its end. One thread, so that it may fork;
DuckDB, which has threads of its own, is started in the copies only. `farmwatch.standby` tells what goes over the wire.
"""

from __future__ import annotations

import gc
import io
import json
import os
import select
import signal
import socket
import struct
import sys
import time
import traceback
from contextlib import suppress
from importlib import import_module
from typing import BinaryIO, NoReturn

from farmwatch.standby import ASKED, GO_ON, LONGEST_REQUEST, Request, this_farmwatch

__all__ = ["answer", "main"]

# What fleet, machine and assess load, on top of the commands themselves.
_LOADED = (
    "farmwatch.cli", "farmwatch.assess", "farmwatch.cli.fleet_table", "farmwatch.cli.machine_page",
    "farmwatch.cli.times", "farmwatch.judge.document", "farmwatch.service.standing", "numpy.ma", "rich.cells",
    "rich.console", "rich.text",
)  # fmt: skip
IDLE_SECONDS = 600.0
_LINE_SECONDS = 0.5
_MOST_AT_ONCE = 8


def main() -> int:
    """Load, then answer until nobody asks; returns 0."""
    # As it was when this was loaded: a file that is replaced meanwhile is another farmwatch.
    stamp = this_farmwatch()
    # Ctrl-C ends a service that runs on a terminal; the service then ends this.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    for name in _LOADED:
        import_module(name)
    # What is loaded stays: the copies need not look through it.
    gc.collect()
    gc.freeze()
    with socket.socket(fileno=int(sys.argv[1])) as listener:
        answer(listener, stamp, sys.stdin.buffer)
    return 0


def answer(listener: socket.socket, stamp: list[str], held: BinaryIO) -> None:
    """Answer until nobody has asked for IDLE_SECONDS or `held` comes to its end."""
    running: set[int] = set()
    asked_at = time.monotonic()
    while time.monotonic() - asked_at < IDLE_SECONDS:
        ready, _, _ = select.select([listener.fileno(), held.fileno()], [], [], 1.0)
        running = {pid for pid in running if os.waitpid(pid, os.WNOHANG) == (0, 0)}
        if held.fileno() in ready:
            return
        if listener.fileno() in ready:
            asked_at = time.monotonic()
            line, _ = listener.accept()
            with line, suppress(OSError, ValueError, LookupError, TypeError, AttributeError):
                if len(running) < _MOST_AT_ONCE:
                    running |= {_take(line, listener, stamp)} - {0}


def _take(line: socket.socket, listener: socket.socket, stamp: list[str]) -> int:
    """One call: the process that runs it, 0 where it is declined. Raises OSError or ValueError where it breaks off."""
    line.settimeout(_LINE_SECONDS)
    if not _may_ask(line) or not _is_welcome(_greeting(line), stamp):
        return 0
    line.sendall(GO_ON)
    message, streams, _, _ = socket.recv_fds(line, LONGEST_REQUEST, 3)
    try:
        request: Request = json.loads(message)
        words = request["arguments"]
        if len(streams) != 3 or words[0] != "--config" or words[2] not in ASKED:
            return 0
        pid = os.fork()
        if pid == 0:
            listener.close()
            _run(line, request, streams)
        return pid
    finally:
        for stream in streams:
            os.close(stream)


def _may_ask(line: socket.socket) -> bool:
    """The service's own user and root: what runs here runs with the rights of the service."""
    credentials = line.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, struct.calcsize("3i"))
    _, user, _ = struct.unpack("3i", credentials)
    return user in (0, os.geteuid())


def _greeting(line: socket.socket) -> dict[str, object]:
    heard = b""
    while not heard.endswith(b"\n") and len(heard) < LONGEST_REQUEST:
        part = line.recv(4096)
        if not part:
            raise ConnectionResetError
        heard += part
    greeting: dict[str, object] = json.loads(heard)
    return greeting


def _is_welcome(greeting: dict[str, object], stamp: list[str]) -> bool:
    """The same farmwatch, as it still stands on the disk, and a configuration that can be read from here."""
    config = greeting["config"]
    return greeting["farmwatch"] == stamp == this_farmwatch() and isinstance(config, str) and os.access(config, os.R_OK)


def _run(line: socket.socket, request: Request, streams: list[int]) -> NoReturn:
    """In the copy: become the command on the caller's terminal; never returns."""
    code = 1
    try:
        for number, stream in enumerate(streams):
            os.dup2(stream, number)
        signal.signal(signal.SIGPIPE, signal.SIG_IGN)
        os.environ.update(request["environment"])
        time.tzset()
        _open_streams(request["encodings"])
        sys.argv = [request["called"], *request["arguments"]]
        code = import_module("farmwatch.cli").run(request["arguments"])
    except BaseException:
        traceback.print_exc()
    finally:
        for stream_ in (sys.stdout, sys.stderr):
            with suppress(OSError, ValueError):
                stream_.flush()
        with suppress(OSError):
            line.sendall(bytes([code]))
        os._exit(code)


def _open_streams(encodings: list[str]) -> None:
    """Standard streams as an interpreter would open them here, in the encodings of the caller's."""
    for number, name, encoding in ((1, "stdout", encodings[0]), (2, "stderr", encodings[1])):
        raw = io.BufferedWriter(io.FileIO(number, "w", closefd=False))
        errors = "strict" if name == "stdout" else "backslashreplace"
        text = io.TextIOWrapper(raw, encoding, errors, line_buffering=name == "stderr" or os.isatty(number))
        setattr(sys, name, text)
    sys.stdin = io.TextIOWrapper(io.BufferedReader(io.FileIO(0, "r", closefd=False)))


if __name__ == "__main__":
    sys.exit(main())
