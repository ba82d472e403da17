"""Sends an errand to a process of its own and waits for what comes of it, or for the end of the service."""

from __future__ import annotations

import contextlib
import json
import pickle
import subprocess
import threading
import time
from typing import IO, TYPE_CHECKING, Any

from farmwatch.errors import FarmwatchError
from farmwatch.service.processes import command_line, environment

if TYPE_CHECKING:
    from farmwatch.service.errand import Errand

__all__ = ["ErrandFailed", "send"]

LONGEST_SECONDS = 2 * 3600.0
_LOOK_SECONDS = 0.2
_ENDING_SECONDS = 3.0


class ErrandFailed(FarmwatchError):
    """An errand was not done; the message says why."""


def send(errand: Errand, stop: threading.Event) -> dict[str, Any] | None:
    """What came of the errand; None where `stop` was set meanwhile. Raises ErrandFailed."""
    with subprocess.Popen(
        command_line("farmwatch.service.child"),
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env=environment(),
    ) as child:
        try:
            return _outcome(child, pickle.dumps(errand), stop)
        finally:
            _end(child)


def _outcome(child: subprocess.Popen[bytes], errand: bytes, stop: threading.Event) -> dict[str, Any] | None:
    end = time.monotonic() + LONGEST_SECONDS
    # By a thread of its own: `communicate` does not go on writing after a timeout, and a pipe holds 64 KiB.
    stream, child.stdin = child.stdin, None
    assert stream is not None
    giving = threading.Thread(target=_give, args=(stream, errand), name="farmwatch-errand", daemon=True)
    giving.start()
    while True:
        try:
            out, err = child.communicate(timeout=_LOOK_SECONDS)
        except subprocess.TimeoutExpired:
            if stop.is_set():
                return None
            if time.monotonic() > end:
                raise ErrandFailed(f"it was not done within {LONGEST_SECONDS / 3600:g} hours and was ended") from None
            continue
        return _read(child.returncode, out, err)


def _give(stream: IO[bytes], errand: bytes) -> None:
    with contextlib.suppress(BrokenPipeError), stream:
        stream.write(errand)


def _read(code: int, out: bytes, err: bytes) -> dict[str, Any]:
    try:
        said = json.loads(out.decode("utf-8").splitlines()[-1])
    except (ValueError, IndexError):
        said = None
    if code == 0 and isinstance(said, dict):
        return said
    if isinstance(said, dict) and "fault" in said:
        raise ErrandFailed(str(said["fault"]))
    how = f"was ended by signal {-code}" if code < 0 else f"ended with {code}"
    words = err.decode("utf-8", "replace").strip()[-1500:]
    raise ErrandFailed(f"its process {how}: {words or 'it said nothing'}")


def _end(child: subprocess.Popen[bytes]) -> None:
    if child.poll() is not None:
        return
    child.terminate()
    try:
        child.wait(_ENDING_SECONDS)
    except subprocess.TimeoutExpired:
        child.kill()
