"""Killed inside the very calls by which DuckDB writes, a database opens with all that was promised."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import BinaryIO

import duckdb
import pytest

from farmwatch.store import Store, undo
from farmwatch.store.errors import StoreBusy
from tests.native import COMPILER, compiled
from tests.store.conftest import make_reading
from tests.store.dying import PARTS, SOURCE, toll


@pytest.mark.long
@COMPILER
@pytest.mark.parametrize("what", ["first", "every"])
@pytest.mark.timeout(600)
def test_a_kill_in_any_call_of_a_round_leaves_it_whole(tmp_path: Path, what: str) -> None:
    found = toll(compiled(SOURCE, tmp_path), what, tmp_path / "work", len(PARTS))
    assert found.kills > 30 * len(PARTS)
    assert (found.torn, found.lost) == (0, 0)


@pytest.mark.long
@COMPILER
@pytest.mark.timeout(600)
def test_without_the_guard_the_same_kills_tear_it(tmp_path: Path) -> None:
    """Else the kills would hit nothing, and the guard could go."""
    assert toll(compiled(SOURCE, tmp_path), "every", tmp_path / "work", 2, "unguarded").torn > 0


@pytest.mark.long
@COMPILER
@pytest.mark.timeout(600)
def test_one_database_lives_through_many_such_kills(tmp_path: Path) -> None:
    found = toll(compiled(SOURCE, tmp_path), "random", tmp_path / "work", 200)
    assert (found.torn, found.lost) == (0, 0)


@pytest.fixture
def cut(store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Store:
    """A database of four readings as a kill leaves it that comes just before its checkpoint; `store` went on to it."""
    store.add_readings([make_reading(hours=k, seed=k) for k in range(3)])
    folder, keep = tmp_path / "cut", undo._keep
    folder.mkdir()

    def kept(con: duckdb.DuckDBPyConnection, file: BinaryIO, path: Path) -> None:
        keep(con, file, path)
        for one in path.parent.glob("farm.duckdb*"):
            shutil.copy2(one, folder)

    monkeypatch.setattr(undo, "_keep", kept)
    store.add_readings([make_reading(hours=9, seed=9)])
    assert len(list(folder.iterdir())) == 3
    return Store(folder / "farm.duckdb", patience_seconds=1.0)


def torn(path: Path, start: int) -> None:
    """Write over half a page, as a power cut in the middle may leave it."""
    with path.open("r+b") as file:
        file.seek(start)
        file.write(os.urandom(2048))
    with pytest.raises(duckdb.Error):
        duckdb.connect(str(path), read_only=True)


@pytest.mark.parametrize("start", [4096, 8192, 12288])
def test_what_is_torn_in_a_checkpoint_is_put_back(cut: Store, start: int) -> None:
    torn(cut.path, start)
    assert cut.reading_count() == 4
    assert not undo._undo(cut.path).exists()


def test_a_checkpoint_that_was_completed_stays(store: Store, cut: Store) -> None:
    shutil.copy2(store.path, cut.path)
    cut.path.with_name("farm.duckdb.wal").unlink()
    before = cut.path.read_bytes()
    assert cut.reading_count() == 4
    assert cut.path.read_bytes() == before
    assert not undo._undo(cut.path).exists()


def test_an_undo_file_cut_short_is_none(cut: Store) -> None:
    os.truncate(undo._undo(cut.path), 100_000)
    before = cut.path.read_bytes()
    assert cut.reading_count() == 4
    assert cut.path.read_bytes() == before
    assert not undo._undo(cut.path).exists()


def test_a_checkpoint_under_way_in_another_process_is_left_alone(cut: Store) -> None:
    hold = "import duckdb, sys; c = duckdb.connect(sys.argv[1]); print(flush=True); sys.stdin.read()"
    before = cut.path.read_bytes()
    command = [sys.executable, "-c", hold, str(cut.path)]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as other:
        assert other.stdout is not None
        other.stdout.readline()
        assert not undo.mend(cut.path)
        with pytest.raises(StoreBusy):
            cut.reading_count()
        assert undo._undo(cut.path).exists()
        assert cut.path.read_bytes() == before
        other.kill()
    assert cut.reading_count() == 4


_AS_NOBODY = """
import os, sys
from pathlib import Path
from farmwatch.store import Store, StoreError
Store(Path(sys.argv[2])).reading_count()  # loads all it needs while it still may
os.setgid(65534)
os.setuid(65534)
try:
    Store(Path(sys.argv[1])).reading_count()
except StoreError as said:
    print(type(said).__name__, said)
"""


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can become another user")
@pytest.mark.parametrize("is_torn", [False, True])
def test_who_may_only_read_is_told_who_mends_it(cut: Store, is_torn: bool) -> None:
    if is_torn:
        torn(cut.path, 12288)
    with tempfile.TemporaryDirectory(prefix="farm-") as folder:  # pytest's own folder is closed to other users
        Path(folder).chmod(0o755)
        for path in cut.path.parent.iterdir():
            Path(shutil.copy(path, folder)).chmod(0o644)
        path = Path(folder, "farm.duckdb")
        command = [sys.executable, "-c", _AS_NOBODY, str(path), str(cut.path.parent.parent / "farm.duckdb")]
        said = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
        assert said.stdout.startswith("StoreReadOnly "), said.stderr
        assert "a write to it was cut short; whoever may write it mends it by any command" in said.stdout
        assert Store(path).reading_count() == 4
