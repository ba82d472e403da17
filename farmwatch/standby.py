"""Asking the standby: a process of the running service that has all loaded and runs the commands that look at once.

To load numpy, DuckDB and the rest takes a command longer than its work. So `fleet`, `machine` and `assess` first ring
at a socket beside the database. Where a service stands by, the command runs in a copy of a process that has loaded all
that, on this terminal: it gets the streams themselves, and its exit code comes back. Where none does, or it does not
answer at once, the command runs here as ever. Both sides are the same farmwatch, or the standby declines.

On the wire: a greeting (JSON, a line), `+` back, the request (JSON) with the three streams, the exit code back in one
byte. Only the standard library is used here, since all of it is on the way of a command that is quick.
"""

from __future__ import annotations

import json
import os
import socket
import sys
import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import TypedDict

from farmwatch import places

__all__ = ["ASKED", "GO_ON", "LONGEST_REQUEST", "Request", "answered", "this_farmwatch"]

ASKED = frozenset({"fleet", "machine", "assess"})
"""Commands that only look."""
_SCREEN = (
    "COLORTERM", "COLUMNS", "FORCE_COLOR", "LANG", "LC_ALL", "LC_CTYPE", "LC_TIME", "LINES", "NO_COLOR",
    "PYTHONIOENCODING", "PYTHONUTF8", "TERM", "TZ",
)  # fmt: skip
"""What of the environment shapes what stands on a screen."""
GO_ON = b"+"
LONGEST_REQUEST = 64 * 1024
# Whoever stands by takes a millisecond or two; whoever does not keeps the command from its work no longer than this.
_ANSWER_WITHIN_SECONDS = 0.25


class Request(TypedDict):
    """One command line to run: its words, what shapes its screen, and how its streams write."""

    arguments: list[str]
    called: str
    environment: dict[str, str]
    encodings: list[str]


def answered(arguments: Sequence[str]) -> int | None:
    """The exit code of a command line that the standby ran; None where nothing was done and it is to be run here."""
    call = _looking(arguments)
    if call is None or not hasattr(socket, "AF_UNIX"):
        return None
    named, words = call
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as line:
        try:
            config = places.configuration(named)
            if config is None:
                return None
            config = config.absolute()
            _greet(line, config)
            _hand_over(line, ["--config", str(config), *words])
        except (OSError, ValueError, LookupError, TypeError, AttributeError, RuntimeError):
            # Nobody there, another farmwatch, a configuration with faults: whatever it is, the command itself says it.
            return None
        return _outcome(line)


def this_farmwatch() -> list[str]:
    """What tells one installed farmwatch from another, or from itself before an upgrade: where, how new, by what."""
    package = Path(__file__).parent
    newest = max(file.stat().st_mtime_ns for file in package.rglob("*.py"))
    return [str(package), str(newest), sys.version]


def _looking(arguments: Sequence[str]) -> tuple[Path | None, list[str]] | None:
    """The configuration named and the words from the command on, where that is one of those asked for."""
    words, named = list(arguments), None
    if len(words) > 1 and words[0] == "--config":
        named, words = Path(words[1]), words[2:]
    elif words and words[0].startswith("--config="):
        named, words = Path(words[0].removeprefix("--config=")), words[1:]
    if not words or words[0] not in ASKED or {"-h", "--help"} & set(words):
        return None
    return named, words


def _greet(line: socket.socket, config: Path) -> None:
    """Ring, and wait for a moment; raises OSError where nobody answers."""
    farm = tomllib.loads(config.read_text(encoding="utf-8-sig"))["farm"]
    database = places.folder_of(config) / Path(farm["database"]).expanduser()
    line.settimeout(_ANSWER_WITHIN_SECONDS)
    line.connect(str(places.standby_socket(database)))
    greeting = {"farmwatch": this_farmwatch(), "config": str(config)}
    line.sendall(json.dumps(greeting).encode() + b"\n")
    if line.recv(1) != GO_ON:
        raise ConnectionRefusedError


def _hand_over(line: socket.socket, arguments: list[str]) -> None:
    request: Request = {
        "arguments": arguments,
        "called": sys.argv[0],
        "environment": {name: os.environ[name] for name in _SCREEN if name in os.environ},
        "encodings": [sys.stdout.encoding, sys.stderr.encoding],
    }
    message = json.dumps(request).encode()
    if len(message) > LONGEST_REQUEST:
        raise ValueError("too long")
    sys.stdout.flush()
    sys.stderr.flush()
    if socket.send_fds(line, [message], [0, 1, 2]) != len(message):
        raise ConnectionError


def _outcome(line: socket.socket) -> int:
    """Wait for the end of what runs there now."""
    line.settimeout(None)
    try:
        code = line.recv(1)
    except KeyboardInterrupt:
        print("farmwatch: interrupted", file=sys.stderr)
        return 130
    except OSError:
        code = b""
    if not code:
        print("farmwatch: the service's standby ended before the command did; run it again", file=sys.stderr)
        return 1
    return code[0]
