"""One service a database: a lock beside the file, held as long as the process lives, with who holds it."""

from __future__ import annotations

import fcntl
import os
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

from farmwatch.errors import FarmwatchError

__all__ = ["AlreadyRunning", "only_one"]


class AlreadyRunning(FarmwatchError):
    """Another service works on this database; the message names it."""


@contextmanager
def only_one(database: Path, now: datetime) -> Iterator[None]:
    """Hold `<database>.service` meanwhile; raises AlreadyRunning where another process does, FarmwatchError where the
    file cannot be made.

    The system lets go of the lock however the process ends, so nothing stale is left to clear away.
    """
    path = database.with_name(f"{database.name}.service")
    try:
        descriptor = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
    except OSError as fault:
        raise FarmwatchError(
            f"{path}: cannot be made ({fault.strerror}); check the owner and mode of its folder"
        ) from fault
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
