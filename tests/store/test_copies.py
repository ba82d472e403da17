"""A backup is whole though the database is in use; a restore is checked before anything is replaced."""

from __future__ import annotations

import errno
import os
import subprocess
import sys
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import duckdb
import pytest

from farmwatch.history import Note, Reading
from farmwatch.store import Store, StoreError
from farmwatch.store.copies import Left
from farmwatch.store.errors import StoreDamaged, StoreNewer
from farmwatch.store.migrate import newest

MakeReading = Callable[..., Reading]
NOW = datetime(2026, 11, 30, 6, 0, 0, tzinfo=UTC)

# Each round is one reading and one poll in one transaction: a whole copy has as many of the one as of the other.
_ROUNDS = """
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path
import numpy as np
from farmwatch.history import Reading
from farmwatch.mesh import Mesh
from farmwatch.store import PollRecord, Store
store = Store(Path(sys.argv[1]))
start = datetime(2026, 1, 1, tzinfo=UTC)
x = [0.0, 100.0, 200.0]
for k in range(10_000):
    at = start + timedelta(seconds=k)
    mesh = Mesh.accept(x, x, np.random.default_rng(k).normal(0, 0.1, (3, 3)))
    reading = Reading(machine="heron-01", taken_at=at, seen_at=at, time_from="host", mesh=mesh)
    store.add_round([reading], [PollRecord(machine="heron-01", at=at, outcome="new")])
    print(k + 1, flush=True)
"""


def test_a_backup_while_another_process_writes_is_whole(store: Store, tmp_path: Path) -> None:
    store.check()
    copy = tmp_path / "copy.duckdb"
    with subprocess.Popen(
        [sys.executable, "-c", _ROUNDS, str(store.path)], stdout=subprocess.PIPE, text=True
    ) as writer:
        assert writer.stdout is not None
        for _ in range(3):
            done = [int(writer.stdout.readline()) for _ in range(5)][-1]
            number = store.backup(copy)
            assert number >= done
            with duckdb.connect(str(copy), read_only=True) as con:
                counts = con.execute("SELECT (SELECT count(*) FROM readings), (SELECT count(*) FROM polls)").fetchone()
            assert counts == (number, number)
        writer.kill()
    assert sorted(entry.name for entry in tmp_path.iterdir() if "copy" in entry.name) == ["copy.duckdb"]


def test_a_restore_brings_back_and_keeps_what_was_there(store: Store, tmp_path: Path, reading: MakeReading) -> None:
    store.add_readings([reading()])
    store.add_note(Note(machine="heron-01", at=NOW, what="belt"))
    assert store.backup(tmp_path / "copy.duckdb") == 1
    store.add_readings([reading(hours=1, seed=1)])
    done = store.restore(tmp_path / "copy.duckdb", NOW)
    assert done.readings == 1
    assert done.kept_aside == tmp_path / "farm.duckdb.before-restore-20261130T060000Z"
    assert store.reading_count() == 1
    assert len(store.notes()) == 1
    assert Store(done.kept_aside).reading_count() == 2
    assert done.newest == reading().taken_at
    assert abs(done.written_at - datetime.now(UTC)) < timedelta(minutes=10)
    assert done.left == Left(readings=1, notes=0, ticket_events=0)
    assert store.add_readings([reading(hours=1, seed=1)]) == 1


def test_a_restore_mends_a_damaged_database_and_makes_a_missing_one(
    store: Store, tmp_path: Path, reading: MakeReading
) -> None:
    store.add_readings([reading()])
    store.backup(tmp_path / "copy.duckdb")
    store.path.write_bytes(b"x" * 50_000)
    with pytest.raises(StoreDamaged):
        store.reading_count()
    done = store.restore(tmp_path / "copy.duckdb", NOW)
    assert store.reading_count() == 1
    assert done.kept_aside is not None
    assert done.kept_aside.read_bytes() == b"x" * 50_000
    assert done.left is None
    elsewhere = Store(tmp_path / "elsewhere.duckdb")
    assert elsewhere.restore(tmp_path / "copy.duckdb", NOW).kept_aside is None
    assert elsewhere.reading_count() == 1


def test_a_restore_counts_what_the_database_before_holds_beyond_the_backup(
    store: Store, tmp_path: Path, reading: MakeReading
) -> None:
    store.add_readings([reading(seed=k, hours=k) for k in range(5)])
    store.add_note(Note(machine="heron-01", at=NOW, what="belt"))
    store.backup(tmp_path / "copy.duckdb")
    store.add_readings([reading(seed=k, hours=k) for k in range(5, 8)])
    for text in ("one", "two"):
        store.add_note(Note(machine="heron-01", at=NOW, what="other", text=text))
    done = store.restore(tmp_path / "copy.duckdb", NOW)
    assert done.left == Left(readings=3, notes=2, ticket_events=0)
    assert store.restore(tmp_path / "copy.duckdb", NOW + timedelta(hours=1)).left == Left(
        readings=0, notes=0, ticket_events=0
    )


def test_a_log_left_by_a_crash_does_not_meet_the_restored_file(
    store: Store, tmp_path: Path, reading: MakeReading
) -> None:
    store.add_readings([reading()])
    store.backup(tmp_path / "copy.duckdb")
    crash = "import duckdb, os, sys; c = duckdb.connect(sys.argv[1]); c.execute('DELETE FROM readings'); os._exit(9)"
    subprocess.run([sys.executable, "-c", crash, str(store.path)], check=False, timeout=60)
    assert (tmp_path / "farm.duckdb.wal").exists()
    assert store.restore(tmp_path / "copy.duckdb", NOW).readings == 1
    assert not (tmp_path / "farm.duckdb.wal").exists()
    assert store.reading_count() == 1


@pytest.mark.parametrize("way", ["restore", "begin anew"])
def test_a_log_whose_database_was_moved_away_does_not_meet_the_next_one(
    store: Store, tmp_path: Path, reading: MakeReading, way: str
) -> None:
    store.add_readings([reading()])
    store.backup(tmp_path / "copy.duckdb")
    crash = "import duckdb, os, sys; c = duckdb.connect(sys.argv[1]); c.execute('DELETE FROM readings'); os._exit(9)"
    subprocess.run([sys.executable, "-c", crash, str(store.path)], check=False, timeout=60)
    # As a person does who was told to move it aside.
    store.path.rename(tmp_path / "damaged.duckdb")
    if way == "restore":
        assert store.restore(tmp_path / "copy.duckdb", NOW).readings == 1
    assert store.add_readings([reading(hours=1, seed=1)]) == 1
    [left] = tmp_path.glob("farm.duckdb.wal.left-*")
    left.rename(tmp_path / "damaged.duckdb.wal")
    assert Store(tmp_path / "damaged.duckdb").reading_count() == 0


def test_what_is_no_backup_is_refused_and_nothing_changes(store: Store, tmp_path: Path, reading: MakeReading) -> None:
    store.add_readings([reading()])
    before = store.path.read_bytes()
    (tmp_path / "noise").write_bytes(b"no database" * 1000)
    with duckdb.connect(str(tmp_path / "other.duckdb")) as con:
        con.execute("CREATE TABLE readings (a INTEGER)")
    later = Store(tmp_path / "later.duckdb")
    with later.database.writing() as con:
        con.execute("INSERT INTO schema_changes VALUES (?, 'later', current_timestamp, '9.7.5')", [newest() + 1])
    rotten = tmp_path / "rotten.duckdb"
    Store(rotten).add_readings([reading(seed=k, hours=k) for k in range(200)])
    body = rotten.read_bytes()
    rotten.write_bytes(body[:12_288] + bytes(byte ^ 0x55 for byte in body[12_288:]))
    cases: list[tuple[str, type[StoreError], str]] = [
        ("noise", StoreDamaged, "damaged, or not a database of farmwatch"),
        ("other.duckdb", StoreDamaged, "not a database of farmwatch"),
        ("later.duckdb", StoreNewer, "Install farmwatch 9.7.5"),
        ("rotten.duckdb", StoreDamaged, "damaged"),
        ("none.duckdb", StoreError, "there is no such file"),
        ("farm.duckdb", StoreError, "is the database itself"),
    ]
    for name, kind, words in cases:
        with pytest.raises(kind, match=words) as told:
            store.restore(tmp_path / name, NOW)
        # It is the person's own file: no word of moving it away.
        assert "move it aside" not in str(told.value)
    assert store.path.read_bytes() == before
    assert not list(tmp_path.glob("*before-restore*"))
    assert not list(tmp_path.glob(".*"))


def test_a_backup_goes_to_a_folder_that_exists_and_never_over_the_database(store: Store, tmp_path: Path) -> None:
    store.check()
    with pytest.raises(StoreError, match="its folder does not exist"):
        store.backup(tmp_path / "none" / "copy.duckdb")
    with pytest.raises(StoreError, match="is the database itself"):
        store.backup(store.path)


@pytest.mark.parametrize("ending", ["pending", "service", "standing", "wal"])
def test_a_backup_never_takes_the_place_of_what_stands_beside_the_database(
    store: Store, tmp_path: Path, ending: str
) -> None:
    store.check()
    with pytest.raises(StoreError, match="keeps beside the database"):
        store.backup(store.path.with_name(f"{store.path.name}.{ending}"))
    assert not list(tmp_path.glob(f"*.{ending}"))


def test_a_backup_takes_the_place_of_a_backup_and_of_nothing_else(store: Store, tmp_path: Path) -> None:
    store.check()
    settings = tmp_path / "config.toml"
    settings.write_text('[farm]\nname = "Saltmarsh Tidegate Works"\n', encoding="utf-8")
    before = settings.read_bytes()
    with pytest.raises(StoreError, match="is no backup of farmwatch"):
        store.backup(settings)
    assert settings.read_bytes() == before
    for _ in range(2):
        assert store.backup(tmp_path / "copy.duckdb") == 0


def test_a_database_cut_short_is_damaged(store: Store, reading: MakeReading) -> None:
    store.add_readings([reading(seed=k, hours=k) for k in range(200)])
    os.truncate(store.path, store.path.stat().st_size // 2)
    with pytest.raises(StoreDamaged, match="damaged"):
        store.histories()


def test_a_full_or_closed_place_for_the_backup_is_said_of_the_backup(
    store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    store.check()
    with monkeypatch.context() as patched:
        patched.setattr("farmwatch.store.files.shutil.copyfileobj", full)
        with pytest.raises(StoreError, match=r"copy\.duckdb: cannot be written \(No space left"):
            store.backup(tmp_path / "copy.duckdb")
    assert sorted(entry.name for entry in tmp_path.iterdir()) == ["farm.duckdb"]
    assert store.backup(tmp_path / "copy.duckdb") == 0
