"""Short opens of one DuckDB file, shared with other processes.

DuckDB lets one process write, or several read, at a time. So nobody here keeps the file open: every call opens,
does its work, closes, and waits with jitter while another process is inside. Within this process a lock a file keeps
opens apart, since reading and writing opens of one file do not mix.
"""

from __future__ import annotations

import os
import random
import shutil
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import duckdb

from farmwatch.store.errors import StoreBusy, StoreError, StoreReadOnly, holder, is_lock, translated
from farmwatch.store.migrate import NEWEST, migrate, refuse_newer, schema_version

__all__ = ["Database"]

_SHORTEST_WAIT = 0.005
_LONGEST_WAIT = 0.100

_locks: dict[Path, threading.RLock] = {}
_locks_guard = threading.Lock()


class Database:
    """One database file. Faults of DuckDB come out as StoreError."""

    def __init__(
        self, path: Path, *, memory_limit: str = "256MB", threads: int = 2, patience_seconds: float = 30.0
    ) -> None:
        self.path = path.absolute()
        self.patience_seconds = patience_seconds
        self._config: dict[str, str | bool | int | float | list[str]] = {
            "memory_limit": memory_limit,
            "threads": threads,
        }
        with _locks_guard:
            self._lock = _locks.setdefault(self.path, threading.RLock())

    @contextmanager
    def reading(self) -> Iterator[duckdb.DuckDBPyConnection]:
        """An open for reading one consistent state; fetch, leave, then compute."""
        with self._lock, _speaking(self.path), self._open_to_read() as con:
            con.execute("BEGIN")
            yield con

    @contextmanager
    def writing(self) -> Iterator[duckdb.DuckDBPyConnection]:
        """An open for writing, in one transaction: committed at the end, rolled back by any exception."""
        with self._lock, _speaking(self.path), self._open_to_write() as con:
            con.execute("BEGIN")
            try:
                yield con
            except BaseException:
                with suppress(duckdb.Error):
                    con.execute("ROLLBACK")
                raise
            con.execute("COMMIT")

    @contextmanager
    def alone(self) -> Iterator[duckdb.DuckDBPyConnection]:
        """An open for writing without a transaction, everything on disk in the one file: for copies of the file."""
        with self._lock, _speaking(self.path), self._open_to_write() as con:
            con.execute("CHECKPOINT")
            yield con

    @contextmanager
    def closed(self) -> Iterator[None]:
        """Keep this process out of the file meanwhile."""
        with self._lock, _speaking(self.path):
            yield

    def _open_to_read(self) -> _Closing:
        if not self.path.exists():
            return self._open_to_write()
        con = self._connect(read_only=True)
        try:
            version = schema_version(con)
            refuse_newer(con, version, self.path)
        except BaseException:
            con.close()
            raise
        if version == NEWEST:
            return _Closing(con)
        con.close()
        return self._open_to_write()

    def _open_to_write(self) -> _Closing:
        if not self.path.parent.is_dir():
            raise StoreError(f"{self.path}: its folder does not exist; create it, or mend farm.database")
        if self.path.exists() and not os.access(self.path, os.W_OK):
            raise StoreReadOnly(f"{self.path}: may not be written; check the owner and mode of the file")
        con = self._connect(read_only=False)
        try:
            version = schema_version(con)
            refuse_newer(con, version, self.path)
            if version < NEWEST:
                con = self._upgrade(con, version)
        except BaseException:
            con.close()
            raise
        return _Closing(con)

    def _upgrade(self, con: duckdb.DuckDBPyConnection, version: int) -> duckdb.DuckDBPyConnection:
        if version > 0:
            con.execute("CHECKPOINT")
            copy_file(self.path, self.path.with_name(f"{self.path.name}.schema-{version}"))
            # Reading the file through another descriptor has let go of the process's lock on it: take it anew.
            con.close()
            con = self._connect(read_only=False)
            version = schema_version(con)
        migrate(con)
        return con

    def _connect(self, *, read_only: bool) -> duckdb.DuckDBPyConnection:
        end = time.monotonic() + self.patience_seconds
        while True:
            try:
                con = duckdb.connect(str(self.path), read_only=read_only, config=self._config)
            except duckdb.IOException as fault:
                if not is_lock(fault):
                    raise
                if time.monotonic() >= end:
                    raise StoreBusy(
                        f"{self.path}: held by {holder(fault)} for over {self.patience_seconds:g} s; "
                        "wait for it to end, or look at what it does"
                    ) from fault
                time.sleep(random.uniform(_SHORTEST_WAIT, _LONGEST_WAIT))
            else:
                con.execute("SET TimeZone = 'UTC'")
                return con


class _Closing:
    """A connection that is closed on leaving."""

    def __init__(self, con: duckdb.DuckDBPyConnection) -> None:
        self._con = con

    def __enter__(self) -> duckdb.DuckDBPyConnection:
        return self._con

    def __exit__(self, *_: object) -> None:
        self._con.close()


@contextmanager
def _speaking(path: Path) -> Iterator[None]:
    try:
        yield
    except (duckdb.Error, OSError) as fault:
        told = translated(fault, path)
        if told is None:
            raise
        raise told from fault


def copy_file(source: Path, target: Path) -> None:
    """Copy whole or not at all: written beside the target, fsynced, then renamed; keeps the source's mode."""
    beside = target.with_name(f".{target.name}.{os.getpid()}")
    try:
        shutil.copyfile(source, beside)
        shutil.copymode(source, beside)
        with beside.open("rb") as written:
            os.fsync(written.fileno())
        beside.replace(target)
    finally:
        beside.unlink(missing_ok=True)
    sync_folder(target.parent)


def sync_folder(folder: Path) -> None:
    """Make a rename in `folder` survive a power cut."""
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
