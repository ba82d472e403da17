"""Files that take the place of others whole or not at all, and keep the owner that can go on writing them."""

from __future__ import annotations

import os
import pwd
import re
import shlex
import stat
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

__all__ = [
    "appear", "clear_unfinished", "give_to_owner", "how_to_own", "keep_owner", "replacing", "sync_folder", "unfinished",
    "user_name",
]  # fmt: skip

# Of a process that nobody sees here it may still be (of another container): so long it is not written to any more.
_GIVEN_UP_AFTER_SECONDS = 3600.0
_UNFINISHED = re.compile(r"\..+\.(\d+)\.unfinished(\.wal)?")


def unfinished(target: Path) -> Path:
    """Where this process writes what is to take the place of `target`."""
    return target.with_name(f".{target.name}.{os.getpid()}.unfinished")


def clear_unfinished(folder: Path) -> list[Path]:
    """Take away what killed processes have left half-written in a folder; returns what that was."""
    gone = []
    for path in folder.glob(".*.unfinished*"):
        found = _UNFINISHED.fullmatch(path.name)
        with suppress(OSError):
            if found and not _is_alive(int(found[1])) and time.time() - path.stat().st_mtime > _GIVEN_UP_AFTER_SECONDS:
                path.unlink()
                gone.append(path)
    return gone


def _is_alive(process: int) -> bool:
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except (PermissionError, OverflowError):
        return True
    return True


@contextmanager
def replacing(target: Path, *, like: os.stat_result | None = None, durable: bool = True) -> Iterator[Path]:
    """A path beside `target` to write to; when the block ends it takes the place of `target` in one move.

    A reader never sees half a file, and where the block raises the older file stays. The new one takes mode and owner
    of `like`, else of the file that it replaces; a new file that root writes goes to the owner of its folder, since
    that is where a service of another user works. `durable`: fsynced, so that it survives a power cut. Raises OSError.
    """
    beside = unfinished(target)
    try:
        yield beside
        _give_owner(beside, target, like)
        if durable:
            _sync(beside)
        beside.replace(target)
    finally:
        with suppress(OSError):
            beside.unlink(missing_ok=True)
    if durable:
        sync_folder(target.parent)


def appear(fresh: Path, target: Path) -> None:
    """Let a file be at `target`, whole, unless there is one already; `fresh` may be left over."""
    try:
        os.link(fresh, target)
    except FileExistsError:
        return
    except OSError:
        # A file system without links.
        if target.exists():
            return
        fresh.rename(target)
    sync_folder(target.parent)


def keep_owner(like: os.stat_result, path: Path) -> None:
    """Give a file the mode of another, and its owner where we may: a copy made by root stays the service's own."""
    path.chmod(stat.S_IMODE(like.st_mode))
    with suppress(PermissionError):
        os.chown(path, like.st_uid, like.st_gid)


def give_to_owner(path: Path) -> None:
    """Let a new file that root wrote belong to the owner of its folder: a service of that user works there."""
    if os.geteuid() == 0:
        folder = path.parent.stat()
        os.chown(path, folder.st_uid, folder.st_gid)


def how_to_own(path: Path) -> str:
    """Whose a file (or, where there is none, its folder) is, and the command that lets this user write it."""
    found = path if path.exists() else path.parent
    try:
        status = found.stat()
    except OSError:
        return f"check the owner and mode of {found}"
    if os.statvfs(found).f_flag & os.ST_RDONLY:
        return "its disk is mounted read-only"
    mode = stat.S_IMODE(status.st_mode)
    me = user_name(os.geteuid()).removeprefix("#")
    right = "u+rwx" if found.is_dir() else "u+rw"
    return (
        f"it belongs to {user_name(status.st_uid)}, mode {mode:o}; to mend it: "
        f"sudo chown {me} {shlex.quote(str(found))} && sudo chmod {right} {shlex.quote(str(found))}"
    )


def user_name(number: int) -> str:
    """The name of a user, or #123 where the number has none."""
    try:
        return pwd.getpwuid(number).pw_name
    except KeyError:
        return f"#{number}"


def sync_folder(folder: Path) -> None:
    """Make a rename in `folder` survive a power cut."""
    _sync(folder)


def _give_owner(beside: Path, target: Path, like: os.stat_result | None) -> None:
    if like is None:
        with suppress(FileNotFoundError):
            like = target.stat()
    if like is not None:
        keep_owner(like, beside)
    else:
        give_to_owner(beside)


def _sync(path: Path) -> None:
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
