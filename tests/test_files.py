"""Files that take the place of others: whole or not at all, and still the service's own when root wrote them."""

from __future__ import annotations

import errno
import os
import stat
import subprocess
from pathlib import Path

import pytest

from farmwatch.files import appear, clear_unfinished, replacing


def test_the_older_file_stays_where_the_new_one_fails(tmp_path: Path) -> None:
    target = tmp_path / "report.html"
    target.write_text("old")

    def write_half() -> None:
        with replacing(target) as beside:
            beside.write_text("half")
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        write_half()
    assert target.read_text() == "old"
    assert list(tmp_path.iterdir()) == [target]


def test_the_new_file_keeps_the_mode_of_the_old_one(tmp_path: Path) -> None:
    target = tmp_path / "farm.standing"
    target.write_text("old")
    target.chmod(0o640)
    with replacing(target, durable=False) as beside:
        beside.write_text("new")
    assert target.read_text() == "new"
    assert stat.S_IMODE(target.stat().st_mode) == 0o640


@pytest.mark.skipif(os.geteuid() != 0, reason="only root gives files away")
def test_what_root_writes_belongs_to_the_owner_of_the_folder_or_of_the_older_file(tmp_path: Path) -> None:
    os.chown(tmp_path, 12345, 12346)
    target = tmp_path / "due-work.ics"
    with replacing(target) as beside:
        beside.write_text("new")
    assert (target.stat().st_uid, target.stat().st_gid) == (12345, 12346)
    os.chown(target, 777, 778)
    with replacing(target) as beside:
        beside.write_text("newer")
    assert (target.stat().st_uid, target.stat().st_gid) == (777, 778)


def test_what_killed_processes_left_half_written_is_cleared_and_nothing_else(tmp_path: Path) -> None:
    gone = subprocess.Popen(["true"])
    gone.wait()
    old = [f".farm.duckdb.{gone.pid}.unfinished", f".farm.duckdb.{gone.pid}.unfinished.wal"]
    kept = [
        f".report.html.{os.getpid()}.unfinished",  # its process lives
        ".report.html.unfinished", "farm.duckdb.1.unfinished", ".farm.duckdb.99999999999999999999.unfinished",
    ]  # fmt: skip
    for name in (*old, *kept, f".new.{gone.pid}.unfinished"):
        (tmp_path / name).write_bytes(b"half")
        if not name.startswith(".new"):
            os.utime(tmp_path / name, (0, 0))
    assert sorted(path.name for path in clear_unfinished(tmp_path)) == old
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted([*kept, f".new.{gone.pid}.unfinished"])


@pytest.mark.parametrize("has_links", [True, False])
def test_a_file_appears_where_there_is_none(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, has_links: bool) -> None:
    def no_link(*_: object) -> None:
        raise PermissionError(errno.EPERM, os.strerror(errno.EPERM))

    if not has_links:
        monkeypatch.setattr(os, "link", no_link)
    for words in ("first", "second"):
        (tmp_path / words).write_text(words)
        appear(tmp_path / words, tmp_path / "target")
    assert (tmp_path / "target").read_text() == "first"
