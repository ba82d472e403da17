"""Short opens of one DuckDB file, shared with other processes.

DuckDB lets one process write, or several read, at a time. So nobody here keeps the file open: every call opens,
does its work, closes, and waits its turn while another process is inside. Starting DuckDB costs some 35 ms, opening a
file 1 ms: so a process starts it once, with nothing open, and attaches and detaches the file. A lock a file keeps the
threads of this process apart, since reading and writing opens of one file do not mix.

A new database is made under another name and appears whole; what is written to it is taken in by `undo`.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import BinaryIO

import duckdb

from farmwatch.files import appear, how_to_own, unfinished
from farmwatch.store.attachment import Attachment, quoted
from farmwatch.store.engine import Connection, Engine
from farmwatch.store.errors import StoreError, StoreGone, StoreReadOnly, translated
from farmwatch.store.files import copy_file, put_log_aside, refuse_foreign
from farmwatch.store.migrate import migrate, newest, refuse_newer, schema_version
from farmwatch.store.turns import lock_of

__all__ = ["Database"]


class Database:
    """One database file. Faults of DuckDB and of the system come out as StoreError."""

    def __init__(
        self, path: Path, *, memory_limit: str = "256MB", threads: int = 2, patience_seconds: float = 30.0
    ) -> None:
        self.path = path.absolute()
        self.patience_seconds = patience_seconds
        self._engine = Engine(self.path, memory_limit, threads)
        self._attachment = Attachment(self.path)
        self._shared: Connection | None = None
        self._home: tuple[int, int] | None = None
        """Device and number of the folder in which the database was found last."""

    @contextmanager
    def reading(self) -> Iterator[Connection]:
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
    def writing(self) -> Iterator[Connection]:
        """An open for writing, in one transaction: committed at the end, rolled back by any exception."""
        with self._inside():
            if self._shared is not None:
                raise RuntimeError("nothing is written where one state is read")
            with self._opened(read_only=False) as con, _transaction(con):
                yield con

    @contextmanager
    def frozen(self) -> Iterator[BinaryIO]:
        """The file itself, open for reading, with everything in it and every other process kept out meanwhile."""
        with self._inside(), self._opened(read_only=False) as con:
            yield self._attachment.fold(con)

    @contextmanager
    def closed(self) -> Iterator[None]:
        """Keep the threads of this process out of the file meanwhile."""
        with self._inside():
            yield

    @contextmanager
    def _inside(self) -> Iterator[None]:
        with lock_of(self.path):
            try:
                yield
            except (duckdb.Error, OSError) as fault:
                # After a fault DuckDB may hold the file, or count the database as lost: start afresh next time.
                self._engine.stop()
                told = translated(fault, self.path)
                if told is None:
                    raise
                raise told from fault

    @contextmanager
    def _opened(self, *, read_only: bool) -> Iterator[Connection]:
        con = self._open(read_only=read_only)
        try:
            yield con
        except BaseException:
            with suppress(duckdb.Error):
                self._attachment.detach(con)
            raise
        try:
            if self._attachment.may_write:
                self._attachment.fold(con)
        except (duckdb.Error, OSError):
            # What was committed is safe in the log beside the file; only taking it in has failed (a full disk).
            # The next open for writing does that, and speaks up where it cannot write.
            self._engine.stop()
        else:
            self._attachment.detach(con)
        finally:
            self._attachment.close()

    def refuse_gone(self) -> None:
        """Raise StoreGone where the folder is another one than before and empty of the database: an unmounted disk.

        What would be begun anew in that place would be hidden when the disk is back.
        """
        if self._home is not None and not self.path.exists() and _identity(self.path.parent) != self._home:
            raise StoreGone(
                f"{self.path}: is gone, and its folder is another one than before; is a disk not mounted? "
                "It goes on by itself when the disk is back"
            )

    def _open(self, *, read_only: bool) -> Connection:
        self.refuse_gone()
        con = self._open_here(read_only=read_only)
        self._home = _identity(self.path.parent)
        return con

    def _open_here(self, *, read_only: bool) -> Connection:
        if not self.path.exists():
            self._check_writable()
            self._make()
        elif not read_only:
            self._check_writable()
        con = self._attach(read_only=read_only)
        try:
            version = schema_version(con)
            refuse_newer(con, version, self.path)
            if version == newest():
                return con
            if read_only:
                self._attachment.detach(con)
                return self._open_here(read_only=False)
            if version > 0:
                con = self._keep_copy(con, version)
            migrate(con)
        except BaseException:
            with suppress(duckdb.Error):
                self._attachment.detach(con)
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

    def _make(self) -> None:
        """A new database, whole from the moment at which it is there."""
        fresh = unfinished(self.path)
        con = self._engine.connection()
        try:
            con.execute(f"ATTACH {quoted(str(fresh))} AS farm (TYPE duckdb, READ_WRITE)")
            con.execute("USE farm")
            migrate(con)
            con.execute("CHECKPOINT")
            self._attachment.detach(con)
            put_log_aside(self.path)
            appear(fresh, self.path)
        finally:
            fresh.unlink(missing_ok=True)
            fresh.with_name(f"{fresh.name}.wal").unlink(missing_ok=True)

    def _keep_copy(self, con: Connection, version: int) -> Connection:
        """Copy the file as it was before its schema changes, then open it anew."""
        copy_file(self._attachment.fold(con), self.path.with_name(f"{self.path.name}.schema-{version}"))
        self._attachment.detach(con)
        return self._attach(read_only=False)

    def _attach(self, *, read_only: bool) -> Connection:
        return self._attachment.attach(self._engine.connection(), self.patience_seconds, read_only=read_only)


@contextmanager
def _transaction(con: Connection) -> Iterator[None]:
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
