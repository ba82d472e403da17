"""Whole files: copied, put in place and made to survive a power cut."""

from __future__ import annotations

import os
import pwd
import shutil
import stat
from contextlib import suppress
from pathlib import Path
from typing import BinaryIO

from farmwatch.store.errors import StoreForeign

__all__ = ["copy_file", "keep_owner", "refuse_foreign", "sync_folder"]


def copy_file(source: BinaryIO, target: Path) -> None:
    """Copy an open file whole or not at all: written beside the target, fsynced, then renamed; keeps mode and owner."""
    beside = target.with_name(f".{target.name}.{os.getpid()}")
    try:
        source.seek(0)
        with beside.open("wb") as copy:
            shutil.copyfileobj(source, copy, 1 << 20)
            copy.flush()
            os.fsync(copy.fileno())
        keep_owner(os.fstat(source.fileno()), beside)
        beside.replace(target)
    finally:
        beside.unlink(missing_ok=True)
    sync_folder(target.parent)


def keep_owner(like: os.stat_result, path: Path) -> None:
    """Give a file the mode of another, and its owner where we may: a copy made by root stays the service's own."""
    path.chmod(stat.S_IMODE(like.st_mode))
    with suppress(PermissionError):
        os.chown(path, like.st_uid, like.st_gid)


def sync_folder(folder: Path) -> None:
    """Make a rename in `folder` survive a power cut."""
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


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
        name = _user_name(owner)
        raise StoreForeign(
            f"{database}: belongs to {name}, who could not write what {_user_name(me)} would leave there", name
        )


def _user_name(number: int) -> str:
    try:
        return pwd.getpwuid(number).pw_name
    except KeyError:
        return f"#{number}"
