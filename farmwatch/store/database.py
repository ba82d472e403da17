"""Short opens of one DuckDB file, shared with other processes.

DuckDB lets one process write, or several read, at a time. So nobody here keeps the file open: every call opens,
does its work, closes, and waits with jitter while another process is inside. Starting DuckDB costs some 35 ms,
opening a file 1 ms: so a process starts it once, with nothing open, and attaches and detaches the file. A lock a
file keeps the threads of this process apart, since reading and writing opens of one file do not mix.
"""

from __future__ import annotations

import os
import random
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import BinaryIO

import duckdb

from farmwatch.files import how_to_own
from farmwatch.store.errors import (
    ERRORS_BY_NUMBER,
    StoreBusy,
    StoreError,
    StoreGone,
    StoreReadOnly,
    holder,
    is_lock,
    translated,
)
from farmwatch.store.files import copy_file, refuse_foreign
from farmwatch.store.migrate import migrate, newest, refuse_newer, schema_version

__all__ = ["Database", "quoted"]

_SHORTEST_WAIT = 0.005
_LONGEST_WAIT = 0.100
# DuckDB keeps some KiB of every write until it is stopped (measured: 8 to 20 a round of polls): so a process that
# writes for months starts it anew now and then.
_OPENS_BY_ONE_START = 200

_Connection = duckdb.DuckDBPyConnection

_locks: dict[Path, threading.RLock] = {}
_locks_guard = threading.Lock()


def _lock_of(path: Path) -> threading.RLock:
    with _locks_guard:
        return _locks.setdefault(path, threading.RLock())


def _forget_locks() -> None:
    _locks.clear()
    _locks_guard.release()


# A forked child must not wait for a thread that did not come along.
os.register_at_fork(before=_locks_guard.acquire, after_in_parent=_locks_guard.release, after_in_child=_forget_locks)


class Database:
    """One database file. Faults of DuckDB and of the system come out as StoreError."""

    def __init__(
        self, path: Path, *, memory_limit: str = "256MB", threads: int = 2, patience_seconds: float = 30.0
    ) -> None:
        self.path = path.absolute()
        self.patience_seconds = patience_seconds
        self._settings: dict[str, str | bool | int | float | list[str]] = {
            "memory_limit": memory_limit,
            "threads": threads,
            "temp_directory": f"{self.path}.tmp",
            "preserve_insertion_order": True,
        }
        self._engine: _Connection | None = None
        self._engine_pid = 0
        self._opens = 0
        self._shared: _Connection | None = None
        self._home: tuple[int, int] | None = None
        """Device and number of the folder in which the database was found last."""

    @contextmanager
    def reading(self) -> Iterator[_Connection]:
        """An open for reading one consistent state; fetch, leave, then compute."""
        with self._inside():
            if self._shared is not None:
                yield self._shared
                return
            with self._opened(read_only=True) as con, _transaction(con):
                yield con

    @contextmanager
    def one_state(self) -> Iterator[None]:
        """Everything read within sees the same state of the database, which is opened once for all of it."""
        with self.reading() as con:
            self._shared = con
            try:
                yield
            finally:
                self._shared = None

    @contextmanager
    def writing(self) -> Iterator[_Connection]:
        """An open for writing, in one transaction: committed at the end, rolled back by any exception."""
        with self._inside():
            if self._shared is not None:
                raise RuntimeError("nothing is written where one state is read")
            with self._opened(read_only=False) as con, _transaction(con):
                yield con

    @contextmanager
    def frozen(self) -> Iterator[BinaryIO]:
        """The file itself, open for reading, with everything in it and every other process kept out meanwhile."""
        # Closing any descriptor of a file ends the process's locks on it, DuckDB's too: so this one outlives them.
        with self._inside(), self.path.open("rb") as file, self._opened(read_only=False) as con:
            con.execute("CHECKPOINT")
            yield file

    @contextmanager
    def closed(self) -> Iterator[None]:
        """Keep the threads of this process out of the file meanwhile."""
        with self._inside():
            yield

    @contextmanager
    def _inside(self) -> Iterator[None]:
        with _lock_of(self.path):
            try:
                yield
            except (duckdb.Error, OSError) as fault:
                # After a fault DuckDB may hold the file, or count the database as lost: start afresh next time.
                self._stop_engine()
                told = translated(fault, self.path)
                if told is None:
                    raise
                raise told from fault

    @contextmanager
    def _opened(self, *, read_only: bool) -> Iterator[_Connection]:
        con = self._open(read_only=read_only)
        try:
            yield con
        except BaseException:
            with suppress(duckdb.Error):
                _detach(con)
            raise
        try:
            _detach(con)
        except duckdb.Error:
            # What was committed is safe in the log beside the file; only folding it in has failed (a full disk).
            # The next open does that, and speaks up where it cannot write.
            self._stop_engine()

    def refuse_gone(self) -> None:
        """Raise StoreGone where the folder is another one than before and empty of the database: an unmounted disk.

        What would be begun anew in that place would be hidden when the disk is back.
        """
        if self._home is not None and not self.path.exists() and _identity(self.path.parent) != self._home:
            raise StoreGone(
                f"{self.path}: is gone, and its folder is another one than before; is a disk not mounted? "
                "It goes on by itself when the disk is back"
            )

    def _open(self, *, read_only: bool) -> _Connection:
        self.refuse_gone()
        con = self._open_here(read_only=read_only)
        self._home = _identity(self.path.parent)
        return con

    def _open_here(self, *, read_only: bool) -> _Connection:
        read_only = read_only and self.path.exists()
        if not read_only:
            self._check_writable()
        con = self._attach(read_only=read_only)
        try:
            version = schema_version(con)
            refuse_newer(con, version, self.path)
            if version == newest():
                return con
            if read_only:
                _detach(con)
                return self._open_here(read_only=False)
            if version > 0:
                con = self._keep_copy(con, version)
            migrate(con)
        except BaseException:
            with suppress(duckdb.Error):
                _detach(con)
            raise
        return con

    def _check_writable(self) -> None:
        if not self.path.parent.is_dir():
            raise StoreError(
                f"{self.path}: its folder does not exist; create it, or mend `database` in the configuration"
            )
        refuse_foreign(self.path)
        if self.path.exists() and not os.access(self.path, os.W_OK):
            raise StoreReadOnly(f"{self.path}: may not be written; {how_to_own(self.path)}")

    def _keep_copy(self, con: _Connection, version: int) -> _Connection:
        """Copy the file as it was before its schema changes, then open it anew."""
        con.execute("CHECKPOINT")
        # Closing any descriptor of a file ends the process's locks on it, DuckDB's too: so detach before that.
        with self.path.open("rb") as file:
            copy_file(file, self.path.with_name(f"{self.path.name}.schema-{version}"))
            _detach(con)
        return self._attach(read_only=False)

    def _attach(self, *, read_only: bool) -> _Connection:
        # Nothing is attached here, so nothing is lost with the engine.
        self._opens += 1
        if self._opens > _OPENS_BY_ONE_START:
            self._stop_engine()
        con = self._started()
        # By its type: DuckDB would take a file of another kind for a table of its own, and store nothing in it.
        how = f"(TYPE duckdb, {'READ_ONLY' if read_only else 'READ_WRITE'})"
        end = time.monotonic() + self.patience_seconds
        while True:
            try:
                con.execute(f"ATTACH {quoted(str(self.path))} AS farm {how}")
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
                con.execute("USE farm")
                return con

    def _started(self) -> _Connection:
        if self._engine is None or self._engine_pid != os.getpid():
            self._engine = duckdb.connect(":memory:", config=self._settings)
            # DuckDB draws a bar on standard output by itself; our progress is our own.
            self._engine.execute(f"SET TimeZone = 'UTC'; SET enable_progress_bar = false; {ERRORS_BY_NUMBER}")
            self._engine_pid = os.getpid()
            self._opens = 1
        return self._engine

    def _stop_engine(self) -> None:
        if self._engine is not None and self._engine_pid == os.getpid():
            with suppress(duckdb.Error):
                self._engine.close()
        self._engine = None


@contextmanager
def _transaction(con: _Connection) -> Iterator[None]:
    con.execute("BEGIN")
    try:
        yield
    except BaseException:
        with suppress(duckdb.Error):
            con.execute("ROLLBACK")
        raise
    con.execute("COMMIT")


def _identity(folder: Path) -> tuple[int, int] | None:
    try:
        found = folder.stat()
    except OSError:
        return None
    return found.st_dev, found.st_ino


def _detach(con: _Connection) -> None:
    con.execute("USE memory")
    con.execute("DETACH farm")


def quoted(text: str) -> str:
    """Text as an SQL literal."""
    return "'" + text.replace("'", "''") + "'"
