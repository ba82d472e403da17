"""Copies of the database: made while it is in use, checked, and put back."""

from __future__ import annotations

import os
import random
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import duckdb

from farmwatch.files import clear_unfinished, keep_owner, sync_folder, unfinished
from farmwatch.store.attachment import quoted
from farmwatch.store.database import Database
from farmwatch.store.errors import ERRORS_BY_NUMBER, StoreBusy, StoreDamaged, StoreError, translated
from farmwatch.store.files import copy_file, lock, put_log_aside
from farmwatch.store.migrate import refuse_newer, schema_version
from farmwatch.times import from_micros

__all__ = ["Left", "Restored", "backup", "check_copy", "restore"]

# What stands beside a database under its name: a copy there would cost readings that wait, or let a second service in.
_BESIDE = ("pages", "pending", "pending.unread", "service", "standing", "tmp", "undo", "wal")
# Every file of DuckDB has it behind its first checksum.
_MARK = b"DUCK"


@dataclass(frozen=True, slots=True, kw_only=True)
class Left:
    """How much the database that was there before holds and the restored one does not."""

    readings: int
    notes: int
    ticket_events: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Restored:
    """What a restore did: how many readings stand now, and where the database that was there before lies."""

    readings: int
    newest: datetime | None
    """When the newest of them was taken."""
    written_at: datetime
    """When the backup file was written, by its own time of change."""
    kept_aside: Path | None
    left: Left | None = None
    """None where nothing was there before, or where it cannot be read."""


def backup(database: Database, target: Path) -> int:
    """Copy the database as it stands, check the copy, put it in place; returns how many readings it holds."""
    target = target.absolute()
    if target.exists() and target.samefile(database.path):
        raise StoreError(f"{target}: is the database itself; name another file for the backup")
    if not target.parent.is_dir():
        raise StoreError(f"{target}: its folder does not exist; create it first")
    _refuse_what_is_no_backup(target, database.path)
    clear_unfinished(target.parent)
    fresh = unfinished(target)
    try:
        with database.reading():
            pass  # makes or upgrades the database where that is due
        with database.frozen() as file, _saying(target):
            copy_file(file, fresh)
        readings = check_copy(fresh)
        with _saying(target):
            fresh.replace(target)
            sync_folder(target.parent)
    finally:
        fresh.unlink(missing_ok=True)
    return readings


def _refuse_what_is_no_backup(target: Path, database: Path) -> None:
    """Raise StoreError where a copy would take the place of anything but an older copy."""
    beside = [f"{database.name}.{ending}" for ending in _BESIDE]
    if target.name in beside and target.parent.samefile(database.parent):
        raise StoreError(f"{target}: is a file that farmwatch keeps beside the database; name another one")
    if not target.exists():
        return
    with _saying(target):
        is_copy = target.is_file() and (target.stat().st_size == 0 or _has_mark(target))
    if not is_copy:
        raise StoreError(f"{target}: stands there already and is no backup of farmwatch; name another file")


def _has_mark(path: Path) -> bool:
    with path.open("rb") as file:
        return file.read(12)[8:] == _MARK


@contextmanager
def _saying(path: Path) -> Iterator[None]:
    """Faults of the system said of the copy, not of the database that it was made from."""
    try:
        yield
    except OSError as fault:
        raise StoreError(f"{path}: cannot be written ({fault.strerror or fault})") from fault


def check_copy(path: Path) -> int:
    """Read a database that nobody writes from end to end without changing it; returns how many readings it holds.

    Raises StoreError where it is none of ours, damaged, or newer than this farmwatch.
    """
    if not path.is_file():
        raise StoreError(f"{path}: there is no such file")
    if path.with_name(f"{path.name}.wal").exists():
        raise StoreError(f"{path}: is in use or was not closed ({path.name}.wal lies beside it); not a finished backup")
    try:
        with duckdb.connect(":memory:", config={"threads": 1, "memory_limit": "256MB"}) as con:
            con.execute(f"SET enable_progress_bar = false; {ERRORS_BY_NUMBER}")
            con.execute(f"ATTACH {quoted(str(path))} AS farm (READ_ONLY)")
            con.execute("USE farm")
            return _read_through(con, path)
    except duckdb.Error as fault:
        raise translated(fault, path) or StoreDamaged(f"{path}: not a database of farmwatch") from fault


def restore(database: Database, source: Path, now: datetime) -> Restored:
    """Check a backup, then put it in the place of the database, which is kept aside."""
    source = source.absolute()
    if database.path.exists() and source.exists() and source.samefile(database.path):
        raise StoreError(f"{source}: is the database itself; name a backup")
    _check_backup(source)
    written_at = datetime.fromtimestamp(source.stat().st_mtime, UTC)
    clear_unfinished(database.path.parent)
    fresh = unfinished(database.path.with_name(f"{database.path.name}.restored"))
    stamp = now.astimezone(UTC).strftime("%Y%m%dT%H%M%SZ")
    aside = database.path.with_name(f"{database.path.name}.before-restore-{stamp}")
    try:
        with _saying(fresh), source.open("rb") as file:
            copy_file(file, fresh)
        with database.closed():
            kept = _put_in_place(database, fresh, aside)
    finally:
        fresh.unlink(missing_ok=True)
    with database.reading() as con:
        row = con.execute("SELECT count(*), epoch_us(max(taken_at)) FROM readings").fetchone()
    readings, newest = row or (0, None)
    return Restored(
        readings=int(readings),
        newest=None if newest is None else from_micros(newest),
        written_at=written_at,
        kept_aside=kept,
        left=None if kept is None else _left_in(kept, source),
    )


def _check_backup(source: Path) -> None:
    """As `check_copy`, with words for a file that somebody took for a backup: it is no database to be mended."""
    try:
        check_copy(source)
    except StoreDamaged as fault:
        raise StoreDamaged(
            f"{source}: damaged, or not a database of farmwatch; nothing was changed. Name a file that "
            "`farmwatch backup` or the nightly backup wrote"
        ) from fault


_LEFT = {
    "readings": "machine, taken_at, digest",
    "notes": 'machine, "at", what, "by", "text"',
    "ticket_events": 'number, "at", action, "by", why',
}


def _left_in(before: Path, source: Path) -> Left | None:
    """What `before` holds and `source` does not; None where `before` cannot be read. Neither is changed."""
    try:
        with duckdb.connect(":memory:", config={"threads": 1, "memory_limit": "256MB"}) as con:
            con.execute(f"SET enable_progress_bar = false; {ERRORS_BY_NUMBER}")
            for name, path in (("before", before), ("source", source)):
                con.execute(f"ATTACH {quoted(str(path))} AS {name} (READ_ONLY)")
            counts = {table: _missing(con, table, columns) for table, columns in _LEFT.items()}
    except duckdb.Error:
        # Most restores are for a database that is damaged.
        return None
    return Left(**counts)


def _missing(con: duckdb.DuckDBPyConnection, table: str, columns: str) -> int:
    """Rows of a table that the one database holds and the other does not; one of an older farmwatch may not have it."""
    have = {
        name
        for (name,) in con.execute(
            "SELECT database_name FROM duckdb_tables() WHERE table_name = $table", {"table": table}
        ).fetchall()
    }
    if "before" not in have:
        return 0
    rows = f"SELECT {columns} FROM before.{table}"
    if "source" in have:
        rows += f" EXCEPT ALL SELECT {columns} FROM source.{table}"
    row = con.execute(f"SELECT count(*) FROM ({rows})").fetchone()
    return int(row[0]) if row else 0


def _put_in_place(database: Database, fresh: Path, aside: Path) -> Path | None:
    if not database.path.exists():
        put_log_aside(database.path)
        fresh.replace(database.path)
        sync_folder(database.path.parent)
        return None
    _fold_log(database)
    with _held(database.path, database.patience_seconds):
        keep_owner(database.path.stat(), fresh)
        log = database.path.with_name(f"{database.path.name}.wal")
        if log.exists():
            # The database is too damaged to take in its log. The log must not meet the new file, and what is put
            # aside has both from its first moment on.
            os.link(log, aside.with_name(f"{aside.name}.wal"))
            os.link(database.path, aside)
            log.unlink()
        else:
            os.link(database.path, aside)
        fresh.replace(database.path)
        sync_folder(database.path.parent)
    return aside


def _fold_log(database: Database) -> None:
    """Take into the file what is only in its write-ahead log yet, so that the file alone is all that there is.

    Else the two would have to be moved in two steps, and a crash between them would tear the database apart.
    """
    if database.path.with_name(f"{database.path.name}.wal").exists():
        # One that cannot be opened is what most restores are for.
        with suppress(StoreError), database.frozen():
            pass


def _read_through(con: duckdb.DuckDBPyConnection, path: Path) -> int:
    version = schema_version(con)
    if version < 1:
        raise StoreDamaged(f"{path}: a DuckDB file, but not a database of farmwatch")
    refuse_newer(con, version, path)
    tables = con.execute("SELECT table_name FROM duckdb_tables() WHERE database_name = 'farm'").fetchall()
    for (table,) in tables:
        # Hashing whole rows reads every block, and DuckDB compares each with its checksum.
        con.execute(f'SELECT bit_xor(hash(t)) FROM "{table}" t').fetchall()
    row = con.execute("SELECT count(*) FROM readings").fetchone()
    return int(row[0]) if row else 0


@contextmanager
def _held(path: Path, patience_seconds: float) -> Iterator[None]:
    """Hold the very lock by which DuckDB keeps other processes out, of a file that may be too damaged to open."""
    end = time.monotonic() + patience_seconds
    while True:
        with path.open("r+b") as file:
            if lock(file):
                yield
                return
        if time.monotonic() >= end:
            raise StoreBusy(f"{path}: another process uses it; stop it before a restore")
        time.sleep(random.uniform(0.005, 0.1))
