"""Numbered, forward-only schema changes: `migrations/0001_*.sql`, ... applied in a transaction with their records."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from importlib import resources

import duckdb

from farmwatch import __version__
from farmwatch.store.errors import StoreNewer

__all__ = ["Migration", "migrate", "migrations", "newest", "refuse_newer", "schema_version"]


@dataclass(frozen=True, slots=True)
class Migration:
    """One schema change."""

    number: int
    name: str
    sql: str


@cache
def migrations() -> tuple[Migration, ...]:
    """All known schema changes, ascending; raises RuntimeError where a number is missing or twice."""
    folder = resources.files("farmwatch.store") / "migrations"
    found = sorted(
        (
            Migration(int(entry.name[:4]), entry.name[5:-4], entry.read_text(encoding="utf-8"))
            for entry in folder.iterdir()
            if entry.name.endswith(".sql")
        ),
        key=lambda migration: migration.number,
    )
    if [migration.number for migration in found] != list(range(1, len(found) + 1)):
        raise RuntimeError(f"migrations must be numbered 1, 2, ...; found {[m.number for m in found]}")
    return tuple(found)


def newest() -> int:
    """The number of the last schema change that this farmwatch knows."""
    return migrations()[-1].number


def schema_version(con: duckdb.DuckDBPyConnection) -> int:
    """The number of the last schema change applied; 0 for a new database."""
    if (
        con.execute(
            "SELECT 1 FROM duckdb_tables() WHERE database_name = 'farm' AND table_name = 'schema_changes'"
        ).fetchone()
        is None
    ):
        return 0
    row = con.execute("SELECT max(number) FROM schema_changes").fetchone()
    return int(row[0]) if row and row[0] is not None else 0


def refuse_newer(con: duckdb.DuckDBPyConnection, version: int, path: object) -> None:
    """Raise StoreNewer where the database's schema is ahead of this farmwatch, naming the version that is needed."""
    if version <= newest():
        return
    row = con.execute("SELECT farmwatch FROM schema_changes ORDER BY number DESC LIMIT 1").fetchone()
    needed = row[0] if row else "a newer one"
    raise StoreNewer(
        f"{path}: written by farmwatch {needed} (schema {version}); this is farmwatch {__version__} "
        f"(schema {newest()}). Install farmwatch {needed} or later"
    )


def migrate(con: duckdb.DuckDBPyConnection, upto: int | None = None) -> int:
    """Apply every change after the database's own up to number `upto` (None: all), in one transaction.

    Returns how many were applied; a failure leaves the database as it was.
    """
    now = schema_version(con)
    last = newest() if upto is None else upto
    due = [migration for migration in migrations() if now < migration.number <= last]
    con.execute("BEGIN")
    try:
        con.execute(
            "CREATE TABLE IF NOT EXISTS schema_changes (number INTEGER PRIMARY KEY, name VARCHAR NOT NULL, "
            "applied_at TIMESTAMPTZ NOT NULL, farmwatch VARCHAR NOT NULL)"
        )
        for migration in due:
            con.execute(migration.sql)
            con.execute(
                "INSERT INTO schema_changes VALUES (?, ?, current_timestamp, ?)",
                [migration.number, migration.name, __version__],
            )
        con.execute("COMMIT")
    except BaseException:
        con.execute("ROLLBACK")
        raise
    return len(due)
