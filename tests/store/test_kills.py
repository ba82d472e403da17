"""Killed between any two steps, a restore, a backup, a migration and a report leave the old state or the new one."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from farmwatch.store import Store
from tests.native import COMPILER, compiled
from tests.store.conftest import make_reading
from tests.store.dying import SOURCE
from tests.store.test_migrate import made_by_schema

pytestmark = pytest.mark.long

OLD, NEW = 4, 6


Kill = Callable[[str, Path, Path], list[Path]]


@pytest.fixture(
    params=[
        "Python's calls",
        pytest.param("all calls, nothing written", marks=(pytest.mark.long, COMPILER, pytest.mark.timeout(600))),
        pytest.param("all calls, a page written", marks=(pytest.mark.long, COMPILER, pytest.mark.timeout(600))),
    ]
)
def kill_everywhere(request: pytest.FixtureRequest, tmp_path: Path) -> Kill:
    """Gives a folder for each step at which something was killed, and the one in which it was not."""
    more: list[str] = []
    environment = dict(os.environ)
    if request.param != "Python's calls":
        environment["LD_PRELOAD"] = str(compiled(SOURCE, tmp_path))
        more = ["4096" if "page" in request.param else "0"]

    def kill(what: str, template: Path, work: Path) -> list[Path]:
        done = subprocess.run(
            [sys.executable, "-m", "tests.store.kills", what, str(template), str(work), *more],
            env=environment, capture_output=True, text=True, timeout=600, check=False,
        )  # fmt: skip
        assert done.returncode == 0, done.stderr
        number = int(done.stdout)
        assert number > 1, done.stderr
        return [work / str(at) for at in range(1, number + 1)]

    return kill


@pytest.fixture
def template(tmp_path: Path) -> Path:
    """A database of four readings, the last of them in its write-ahead log only, and a backup of another, of six."""
    folder = tmp_path / "template"
    folder.mkdir()
    other = Store(tmp_path / "other.duckdb")
    other.add_readings([make_reading(hours=k, seed=50 + k) for k in range(NEW)])
    other.backup(folder / "backup.duckdb")
    Store(folder / "farm.duckdb").add_readings([make_reading(hours=k, seed=k) for k in range(OLD - 1)])
    kill_once("leave-log", folder)
    assert (folder / "farm.duckdb.wal").exists()
    return folder


def kill_once(what: str, folder: Path) -> None:
    code = f"from pathlib import Path; from tests.store import kills; kills.WHAT[{what!r}](Path({str(folder)!r}))"
    subprocess.run([sys.executable, "-c", code], timeout=60, check=False)


def test_a_restore_leaves_the_old_database_or_the_new_one(
    template: Path, tmp_path: Path, kill_everywhere: Kill
) -> None:
    folders = kill_everywhere("restore", template, tmp_path / "work")
    counts = []
    for folder in folders:
        aside = [path for path in folder.glob("farm.duckdb.before-restore-*") if path.suffix != ".wal"]
        counts.append(Store(folder / "farm.duckdb").reading_count())
        for path in aside:
            # What was put aside opens, and holds all that was there before.
            assert Store(path).reading_count() == OLD, folder
        if counts[-1] == NEW:
            assert aside, folder
    assert set(counts) == {OLD, NEW}
    assert counts == sorted(counts)


def test_a_backup_leaves_the_old_copy_or_the_new_one(template: Path, tmp_path: Path, kill_everywhere: Kill) -> None:
    Store(template / "backup.duckdb").backup(template / "copy.duckdb")
    folders = kill_everywhere("backup", template, tmp_path / "work")
    counts = []
    for folder in folders:
        assert not (folder / "copy.duckdb.wal").exists()
        counts.append(Store(folder / "copy.duckdb").reading_count())
        assert Store(folder / "farm.duckdb").reading_count() == OLD
    assert set(counts) == {OLD, NEW}
    assert counts == sorted(counts, reverse=True)


def test_a_migration_leaves_the_old_schema_or_the_new_one(tmp_path: Path, kill_everywhere: Kill) -> None:
    template = tmp_path / "template"
    template.mkdir()
    made_by_schema(template / "farm.duckdb", 1)
    for folder in kill_everywhere("open", template, tmp_path / "work"):
        assert Store(folder / "farm.duckdb").reading_count() == 1
        for copy in folder.glob("farm.duckdb.schema-1"):
            assert Store(copy).reading_count() == 1


def test_a_report_is_the_old_one_or_the_new_one(tmp_path: Path, kill_everywhere: Kill) -> None:
    template = tmp_path / "template"
    template.mkdir()
    (template / "report.html").write_bytes(b"old" * 1000)
    found = [(folder / "report.html").read_bytes() for folder in kill_everywhere("report", template, tmp_path / "work")]
    assert set(found) == {b"old" * 1000, b"new" * 1000}
