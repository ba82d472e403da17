"""What can go wrong with the database, by what a person would do about it.

StoreError          the database
├── StoreBusy       another process holds it longer than we wait: wait, or look at that process
├── StoreFull       no room on its disk: make room
├── StoreReadOnly   it may not be written: permissions, or a read-only mount
│   └── StoreForeign  it belongs to another user, who could not write what this one would leave
├── StoreGone       its disk is not mounted any more: mount it
├── StoreDamaged    it cannot be read as a database: restore a backup
└── StoreNewer      written by a newer farmwatch: install that version
"""

from __future__ import annotations

import errno
import json
import os
import re
from dataclasses import dataclass
from pathlib import Path

import duckdb

from farmwatch.errors import FarmwatchError
from farmwatch.files import how_to_own, unfinished

__all__ = [
    "ERRORS_BY_NUMBER",
    "StoreBusy",
    "StoreDamaged",
    "StoreError",
    "StoreForeign",
    "StoreFull",
    "StoreGone",
    "StoreNewer",
    "StoreReadOnly",
    "holder",
    "is_lock",
    "translated",
]


class StoreError(FarmwatchError):
    """The database cannot do what was asked; the message says which file, why and what to do."""


class StoreBusy(StoreError):
    """Another process holds the database longer than we wait."""


class StoreFull(StoreError):
    """No room is left on the database's disk."""


class StoreReadOnly(StoreError):
    """The database or its folder may not be written."""


class StoreForeign(StoreReadOnly):
    """The database belongs to another user: run the command as `owner`."""

    def __init__(self, words: str, owner: str) -> None:
        super().__init__(words)
        self.owner = owner


class StoreGone(StoreError):
    """The disk on which the database lay is not there any more."""


class StoreDamaged(StoreError):
    """The file is no database, or its blocks contradict their checksums."""


class StoreNewer(StoreError):
    """The database was written by a newer farmwatch."""


# Kinds of fault are told by type and number, never by words: a path or a name may hold any word.
_FULL = frozenset({errno.ENOSPC, errno.EDQUOT, errno.EFBIG})
_READ_ONLY = frozenset({errno.EROFS, errno.EACCES, errno.EPERM})
_DAMAGED_TYPES = (duckdb.FatalException, duckdb.InternalException, duckdb.SerializationException)
# In the middle of a commit DuckDB gives up without the system's number: a trial write of so many bytes finds it.
_GAVE_UP = (*_DAMAGED_TYPES, duckdb.TransactionException, duckdb.OutOfMemoryException)
_TRIAL_BYTES = 1 << 20
ERRORS_BY_NUMBER = "SET errors_as_json = true"
"""Lets DuckDB say the type and the system's number of a fault beside its words; for every connection."""


@dataclass(frozen=True, slots=True)
class _Said:
    """What a fault says of itself; `number` is the system's, None where it had none."""

    kind: str
    number: int | None
    words: str


def _said(fault: BaseException) -> _Said:
    if isinstance(fault, OSError):
        return _Said("IO", fault.errno, fault.strerror or str(fault))
    text = str(fault)
    try:
        # "IO Error: {...}", or the document alone.
        told = json.loads(text[text.index("{") :])
        number = told.get("errno")
        return _Said(told["exception_type"], None if number is None else int(number), told["exception_message"])
    except (ValueError, LookupError, TypeError, AttributeError):
        return _Said("", None, text)


def is_lock(fault: BaseException) -> bool:
    """Whether a fault of DuckDB says that another process holds the file."""
    # fcntl(2): a lock that another process holds.
    return isinstance(fault, duckdb.IOException) and _said(fault).number == errno.EAGAIN


def holder(fault: BaseException) -> str:
    """The process that holds the file, as "process 123", or "another process" where it is not named."""
    found = re.findall(r"PID (\d+)", _said(fault).words)
    # The path comes first in what DuckDB says, the process last.
    return f"process {found[-1]}" if found else "another process"


def translated(fault: Exception, path: Path) -> StoreError | None:
    """The StoreError that a fault of DuckDB or of the system stands for; None where it is a bug of ours."""
    if not isinstance(fault, OSError | duckdb.Error):
        return None
    if is_lock(fault):
        return StoreBusy(f"{path}: held by {holder(fault)}")
    said = _said(fault)
    number = _why_not_written(path) if said.number is None and isinstance(fault, _GAVE_UP) else said.number
    if number in _FULL:
        return StoreFull(
            f"{path}: no room is left on the disk; nothing was changed. Make room and it goes on by itself"
        )
    if number in _READ_ONLY:
        folder = "" if os.access(path.parent, os.W_OK) else f"; its folder: {how_to_own(path.parent)}"
        return StoreReadOnly(f"{path}: may not be written; {how_to_own(path)}{folder}")
    # DuckDB gives no number where the system read what was asked and it was not a database.
    no_database = isinstance(fault, duckdb.IOException) and said.number is None
    if no_database or said.kind == "Data Corruption" or isinstance(fault, _DAMAGED_TYPES):
        return StoreDamaged(
            f"{path}: damaged, or not a database of farmwatch ({_first_line(said.words)}); "
            "move it aside and run `farmwatch restore` with the newest backup"
        )
    if isinstance(fault, duckdb.OutOfMemoryException):
        return StoreError(f"{path}: more at once than the memory set aside for the database holds; ask for less")
    if isinstance(fault, (OSError, duckdb.IOException, duckdb.TransactionException, duckdb.ConnectionException)):
        return StoreError(f"{path}: {_first_line(said.words) or type(fault).__name__}")
    return None


def _why_not_written(path: Path) -> int | None:
    """The system's number for why nothing can be written beside a database; None where it can."""
    trial = unfinished(path.with_name(f"{path.name}.trial"))
    try:
        descriptor = os.open(trial, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600)
        try:
            os.posix_fallocate(descriptor, 0, _TRIAL_BYTES)
        finally:
            os.close(descriptor)
            trial.unlink()
    except OSError as fault:
        return fault.errno
    return None


def _first_line(words: str) -> str:
    return words.splitlines()[0][:200] if words else ""
