"""What can go wrong with the database, by what a person would do about it.

StoreError          the database
├── StoreBusy       another process holds it longer than we wait: wait, or look at that process
├── StoreFull       no room on its disk: make room
├── StoreReadOnly   it may not be written: permissions, or a read-only mount
│   └── StoreForeign  it belongs to another user, who could not write what this one would leave
├── StoreDamaged    it cannot be read as a database: restore a backup
└── StoreNewer      written by a newer farmwatch: install that version
"""

from __future__ import annotations

import re
from pathlib import Path

import duckdb

from farmwatch.errors import FarmwatchError

__all__ = [
    "StoreBusy",
    "StoreDamaged",
    "StoreError",
    "StoreForeign",
    "StoreFull",
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


class StoreDamaged(StoreError):
    """The file is no database, or its blocks contradict their checksums."""


class StoreNewer(StoreError):
    """The database was written by a newer farmwatch."""


_FULL = ("no space left", "disk quota", "disk full", "not enough disk space", "max_temp_directory_size")
_READ_ONLY = ("read-only", "permission denied", "operation not permitted")
_DAMAGED = (
    "not a valid duckdb database",
    "corrupt",
    "checksum",
    "failed to load metadata",
    "serialization error",
    "could not read enough bytes",
)
_DAMAGED_TYPES = (duckdb.FatalException, duckdb.InternalException, duckdb.SerializationException)


def is_lock(fault: BaseException) -> bool:
    """Whether a fault of DuckDB says that another process holds the file."""
    return isinstance(fault, duckdb.IOException) and "lock" in str(fault).lower()


def holder(fault: BaseException) -> str:
    """The process that holds the file, as "process 123", or "another process" where it is not named."""
    found = re.search(r"PID (\d+)", str(fault))
    return f"process {found[1]}" if found else "another process"


def translated(fault: Exception, path: Path) -> StoreError | None:
    """The StoreError that a fault of DuckDB or of the system stands for; None where it is a bug of ours."""
    words = str(fault).lower()
    if is_lock(fault):
        return StoreBusy(f"{path}: held by {holder(fault)}")
    if any(word in words for word in _FULL):
        return StoreFull(
            f"{path}: no room is left on the disk; nothing was changed. Make room and it goes on by itself"
        )
    if any(word in words for word in _READ_ONLY):
        return StoreReadOnly(f"{path}: may not be written; check the owner and mode of the file and of its folder")
    if any(word in words for word in _DAMAGED) or isinstance(fault, _DAMAGED_TYPES):
        return StoreDamaged(
            f"{path}: damaged, or not a database of farmwatch ({_first_line(fault)}); "
            "move it aside and run `farmwatch restore` with the newest backup"
        )
    if isinstance(fault, duckdb.OutOfMemoryException):
        return StoreError(f"{path}: more at once than the memory set aside for the database holds; ask for less")
    if isinstance(fault, (OSError, duckdb.IOException, duckdb.TransactionException, duckdb.ConnectionException)):
        return StoreError(f"{path}: {_first_line(fault)}")
    return None


def _first_line(fault: Exception) -> str:
    return str(fault).splitlines()[0][:200] if str(fault) else type(fault).__name__
