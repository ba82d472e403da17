"""A database of any earlier schema opens and moves on, with a copy kept; a newer one is refused."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import duckdb
import pytest

import farmwatch.store.migrate
from farmwatch.history import Reading
from farmwatch.store import Store
from farmwatch.store.errors import StoreNewer
from farmwatch.store.migrate import Migration, migrate, migrations, newest, schema_version

MakeReading = Callable[..., Reading]

_OLD_READING = """
INSERT INTO readings (machine, taken_at, seen_at, time_from, "rows", "columns", x, y, grid, heights, bed_celsius,
    celsius_is, plate, range_mm, digest, during_work)
VALUES ('heron-01', '2026-11-23 05:58:11+00', '2026-11-23 05:58:12+00', 'host', 3, 3, [10, 110, 210], [10, 110, 210], 1,
    [0.01, 0.02, 0.0, 0.0, NULL, 0.01, 0.02, 0.01, 0.0], 60, 'at-probing', NULL, 0.02, 'd', false)
"""


def made_by_schema(path: Path, number: int) -> None:
    """A database as the farmwatch of that schema left it, with a reading in it."""
    with duckdb.connect() as con:
        con.execute(f"ATTACH '{path}' AS farm")
        con.execute("USE farm")
        migrate(con, upto=number)
        con.execute(_OLD_READING)
        con.execute("USE memory")
        con.execute("DETACH farm")


def one_more(monkeypatch: pytest.MonkeyPatch, sql: str) -> int:
    """Let this farmwatch know one schema change more."""
    number = newest() + 1
    known = (*migrations(), Migration(number, "one_more", sql))
    monkeypatch.setattr(farmwatch.store.migrate, "migrations", lambda: known)
    return number


def test_a_new_database_has_the_newest_schema(store: Store) -> None:
    with store.database.reading() as con:
        assert schema_version(con) == newest() == len(migrations())


def test_every_earlier_schema_moves_on(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, reading: MakeReading) -> None:
    last = one_more(monkeypatch, 'ALTER TABLE polls ADD COLUMN "bytes" BIGINT; CREATE TABLE more (a INTEGER)')
    for number in range(1, last):
        path = tmp_path / f"farm-{number}.duckdb"
        made_by_schema(path, number)
        before = path.read_bytes()
        store = Store(path)
        assert list(store.histories()) == ["heron-01"]
        assert store.add_readings([reading()]) == 1
        with store.database.reading() as con:
            assert schema_version(con) == last
            assert con.execute("SELECT number FROM schema_changes ORDER BY 1").fetchall() == [
                (k,) for k in range(1, last + 1)
            ]
        assert (tmp_path / f"farm-{number}.duckdb.schema-{number}").read_bytes() == before


def test_a_failing_change_leaves_the_database_as_it_was(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "farm.duckdb"
    made_by_schema(path, newest())
    with monkeypatch.context() as patched:
        one_more(patched, "CREATE TABLE half (a INTEGER); INSERT INTO nowhere VALUES (1)")
        with pytest.raises(duckdb.CatalogException):
            Store(path).reading_count()
    store = Store(path)
    assert store.reading_count() == 1
    with store.database.reading() as con:
        assert con.execute("SELECT 1 FROM duckdb_tables() WHERE table_name = 'half'").fetchall() == []


def test_a_newer_database_is_refused_with_the_version_it_needs(tmp_path: Path, store: Store) -> None:
    with store.database.writing() as con:
        con.execute("INSERT INTO schema_changes VALUES (?, 'later', current_timestamp, '9.7.5')", [newest() + 1])
    for call in (store.reading_count, store.check):
        with pytest.raises(StoreNewer, match=r"written by farmwatch 9\.7\.5 .*Install farmwatch 9\.7\.5 or later"):
            call()


def test_numbers_must_run_without_a_gap() -> None:
    assert [migration.number for migration in migrations()] == list(range(1, newest() + 1))
    assert all(migration.name and migration.sql.strip() for migration in migrations())
