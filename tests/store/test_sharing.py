"""Commands work while another process, or another thread, is inside."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

import pytest

from farmwatch.history import Reading
from farmwatch.store import Store, StoreError
from farmwatch.store.errors import StoreBusy, StoreDamaged, StoreReadOnly
from farmwatch.store.turns import Turn

MakeReading = Callable[..., Reading]

_HOLD = """
import sys, duckdb
con = duckdb.connect(sys.argv[1], read_only=sys.argv[2] == "read")
print("in", flush=True)
sys.stdin.readline()
con.close()
"""

_WRITE = """
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path
from farmwatch.store import PollRecord, Store
store = Store(Path(sys.argv[1]))
start = datetime(2026, 1, 1, tzinfo=UTC)
print("go", flush=True)
for k in range(int(sys.argv[2])):
    store.add_round((), [PollRecord(machine=sys.argv[3], at=start + timedelta(seconds=k), outcome="same")])
"""


@contextmanager
def held(path: Path, how: str) -> Iterator[subprocess.Popen[str]]:
    """Another process that has the database open until it is told to end."""
    with subprocess.Popen(
        [sys.executable, "-c", _HOLD, str(path), how], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "in\n"
        yield process
        if process.poll() is None:
            process.communicate("\n", timeout=30)


@pytest.mark.parametrize("how", ["read", "write"])
def test_who_holds_the_database_is_named(store: Store, reading: MakeReading, how: str) -> None:
    store.add_readings([reading()])
    brief = Store(store.path, patience_seconds=0.2)
    with held(store.path, how) as other, pytest.raises(StoreBusy, match=rf"held by process {other.pid} for over 0.2 s"):
        brief.check()
    assert brief.reading_count() == 1


def test_a_call_waits_until_the_other_process_is_out(store: Store, reading: MakeReading) -> None:
    store.check()
    with held(store.path, "write") as other:
        timer = threading.Timer(0.3, lambda: other.communicate("\n", timeout=30))
        timer.start()
        assert other.poll() is None
        assert store.add_readings([reading()]) == 1
        timer.join()


def test_readers_do_not_keep_each_other_out(store: Store) -> None:
    store.check()
    brief = Store(store.path, patience_seconds=0.0)
    with held(store.path, "read"):
        assert brief.reading_count() == 0


@pytest.mark.long
def test_two_processes_and_two_threads_write_side_by_side(store: Store, reading: MakeReading) -> None:
    store.check()
    writers = [
        subprocess.Popen([sys.executable, "-c", _WRITE, str(store.path), "15", name], stdout=subprocess.PIPE, text=True)
        for name in ("heron-01", "heron-02")
    ]
    for writer in writers:
        assert writer.stdout is not None
        assert writer.stdout.readline() == "go\n"

    def write(machine: str) -> None:
        for k in range(15):
            store.add_readings([reading(machine, hours=k, seed=k)])
            store.latest()

    threads = [threading.Thread(target=write, args=(name,)) for name in ("plover-01", "plover-02")]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    for writer in writers:
        writer.communicate(timeout=60)
        assert writer.returncode == 0
    assert store.reading_count() == 30
    with store.database.reading() as con:
        assert con.execute("SELECT machine, count(*) FROM polls GROUP BY machine ORDER BY machine").fetchall() == [
            ("heron-01", 15),
            ("heron-02", 15),
        ]


def test_who_waits_is_let_in_before_who_comes_back(tmp_path: Path) -> None:
    with Turn(tmp_path, 60.0) as second:
        with Turn(tmp_path, 60.0) as first:
            assert first.has_come()
            assert not second.has_come()
            with Turn(tmp_path, 0.0) as hurried:
                # At the last moment it is tried all the same: so who holds the database is named.
                assert hurried.has_come()
        assert second.has_come()
        with Turn(tmp_path, 60.0) as back:
            assert not back.has_come()
    with Turn(tmp_path / "none", 60.0) as nowhere:
        assert nowhere.has_come()


def test_a_fault_inside_rolls_back_and_lets_go(store: Store, reading: MakeReading) -> None:
    class Oops(Exception):
        pass

    def half() -> None:
        with store.database.writing() as con:
            con.execute("INSERT INTO identities VALUES ('heron-01', 'SN-1', current_timestamp)")
            raise Oops

    with pytest.raises(Oops):
        half()
    assert store.identities() == {}
    assert Store(store.path).add_readings([reading()]) == 1


def test_one_state_is_read_by_one_open_and_nothing_is_written_there(store: Store, reading: MakeReading) -> None:
    store.add_readings([reading(seed=1)])
    other = Store(store.path, patience_seconds=0.1)
    with store.one_state():
        assert store.reading_count() == 1
        assert len(store.histories()) == len(store.last_digests()) == 1
        with pytest.raises(RuntimeError, match="nothing is written"):
            store.add_readings([reading(seed=2)])
        assert store.reading_count() == 1
    assert other.add_readings([reading(seed=3)]) == 1
    with pytest.raises(ValueError), store.one_state():
        raise ValueError
    # An end by a fault leaves nothing open behind.
    assert store.add_readings([reading(seed=4)]) == 1


def test_a_missing_folder_a_damaged_file_and_no_database_are_said(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="its folder does not exist"):
        Store(tmp_path / "none" / "farm.duckdb").reading_count()
    for name, body in {"noise": os.urandom(20_000), "empty": b"", "text": b"machine,taken_at\n" * 900}.items():
        path = tmp_path / name
        path.write_bytes(body)
        for call in (Store(path).reading_count, Store(path).check):
            with pytest.raises(StoreDamaged, match="damaged, or not a database of farmwatch"):
                call()
        assert path.read_bytes() == body


@pytest.mark.parametrize("name", ["machines.csv", "farm.json", "farm.parquet", "farm.db"])
def test_a_file_of_another_kind_is_no_database_and_stays_as_it_was(tmp_path: Path, name: str) -> None:
    """DuckDB would take a CSV for a table in memory, and every reading would be lost without a word."""
    path = tmp_path / name
    path.write_text("name,model\nheron-01,tideframe-220\n")
    with pytest.raises(StoreDamaged):
        Store(path).check()
    assert path.read_text() == "name,model\nheron-01,tideframe-220\n"
    path.unlink()
    fresh = Store(path)
    fresh.check()
    assert Store(path).reading_count() == 0
    assert path.read_bytes()[8:12] == b"DUCK"


def test_a_block_that_rots_is_said(store: Store, reading: MakeReading) -> None:
    store.add_readings([reading(seed=k, hours=k) for k in range(200)])
    body = bytearray(store.path.read_bytes())
    for at in range(12288, len(body)):
        body[at] ^= 0x55
    store.path.write_bytes(body)
    with pytest.raises(StoreDamaged):
        Store(store.path).histories()


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write everywhere; the test below drops root instead")
def test_a_file_that_may_not_be_written_is_said(store: Store) -> None:
    store.check()
    store.path.chmod(0o444)
    assert store.reading_count() == 0
    with pytest.raises(StoreReadOnly, match="may not be written"):
        store.check()


_AS_NOBODY = """
import os, sys
from pathlib import Path
from farmwatch.store import Store
from farmwatch.store.errors import StoreReadOnly
store = Store(Path(sys.argv[1]))
store.reading_count()  # loads all it needs while it still may
os.setgid(65534)
os.setuid(65534)
print(store.reading_count())
try:
    store.check()
except StoreReadOnly as said:
    print(said)
"""


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can become another user; the test above stands in")
def test_another_user_may_read_and_is_told_that_it_may_not_write(reading: MakeReading) -> None:
    with tempfile.TemporaryDirectory(prefix="farm-") as folder:  # pytest's own folder is closed to other users
        Path(folder).chmod(0o755)
        store = Store(Path(folder) / "farm.duckdb")
        store.add_readings([reading()])
        store.path.chmod(0o644)
        said = subprocess.run(
            [sys.executable, "-c", _AS_NOBODY, str(store.path)], capture_output=True, text=True, timeout=60, check=False
        )
        assert said.stdout.splitlines()[0] == "1", said.stderr
        assert "may not be written; it belongs to root, mode 644; to mend it: sudo chown nobody " in said.stdout
        assert [entry.name for entry in Path(folder).iterdir()] == ["farm.duckdb"]


@pytest.mark.parametrize("how", ["read", "write"])
def test_a_restore_waits_for_whoever_holds_the_database_and_then_leaves_all_as_it_was(
    tmp_path: Path, reading: MakeReading, how: str
) -> None:
    """Of a database that cannot be opened, whose lock is all that keeps the others out."""
    whole = Store(tmp_path / "whole.duckdb")
    whole.add_readings([reading()])
    copy = tmp_path / "copy.duckdb"
    whole.backup(copy)
    store = Store(tmp_path / "farm.duckdb", patience_seconds=0.2)
    store.add_readings([reading(seed=1)])
    with held(store.path, how), pytest.raises(StoreBusy, match=r"another process uses it|held by process"):
        store.restore(copy, datetime(2026, 11, 23, 6, 0, tzinfo=UTC))
    assert not list(tmp_path.glob("farm.duckdb.before-restore-*"))
    assert list(store.histories()) == ["heron-01"]
    store.restore(copy, datetime(2026, 11, 23, 6, 0, tzinfo=UTC))
    assert list(tmp_path.glob("farm.duckdb.before-restore-*"))
