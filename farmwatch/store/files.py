"""Whole copies of files, and whose files those beside the database must be."""

from __future__ import annotations

import fcntl
import os
import shutil
from datetime import UTC, datetime
from pathlib import Path
from typing import BinaryIO

from farmwatch.files import replacing, user_name
from farmwatch.store.errors import StoreForeign

__all__ = ["copy_file", "lock", "put_log_aside", "refuse_foreign"]


def copy_file(source: BinaryIO, target: Path) -> None:
    """Copy an open file whole or not at all: written beside the target, fsynced, then renamed; keeps mode and owner."""
    with replacing(target, like=os.fstat(source.fileno())) as beside, beside.open("wb") as copy:
        source.seek(0)
        shutil.copyfileobj(source, copy, 1 << 20)


def lock(file: BinaryIO) -> bool:
    """Take the very lock by which DuckDB keeps other processes out of a file, whole or damaged; returns whether it was
    free. It ends when any descriptor of the file is closed."""
    try:
        fcntl.lockf(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except (BlockingIOError, PermissionError):
        # lockf(3): either says that another process has it.
        return False
    return True


def put_log_aside(database: Path) -> None:
    """Where there is no database, give the log of one that was moved away another name, `.wal.left-` and its time.

    It would be taken for that of the next database, which could not be opened with it.
    """
    for ending in ("wal", "undo"):
        left = database.with_name(f"{database.name}.{ending}")
        if left.exists() and not database.exists():
            stamp = datetime.fromtimestamp(left.stat().st_mtime, UTC).strftime("%Y%m%dT%H%M%SZ")
            left.rename(database.with_name(f"{left.name}.left-{stamp}"))


def refuse_foreign(database: Path) -> None:
    """Raise StoreForeign where this user would leave files that the database's owner, the service, could not write.

    Where there is no database yet, its folder tells whose it will be, and only root is refused: it alone could make one
    there for somebody else by mistake.
    """
    me = os.geteuid()
    try:
        owner = database.stat().st_uid
    except FileNotFoundError:
        try:
            owner = database.parent.stat().st_uid
        except FileNotFoundError:
            return
        if me != 0:
            return
    if owner not in (me, 0):
        name = user_name(owner)
        raise StoreForeign(
            f"{database}: belongs to {name}, who could not write what {user_name(me)} would leave there", name
        )
