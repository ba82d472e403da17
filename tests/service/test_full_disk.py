"""A disk of 8 MB that fills up under the polls: nothing committed is lost, and it goes on when room is made."""

from __future__ import annotations

import os
import random
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from datetime import timedelta
from io import FileIO
from pathlib import Path

import pytest

from farmwatch.service.polling import Polling
from farmwatch.service.status import ServiceStatus
from farmwatch.store import DurableWriter, Store
from tests.service.farm import NOW, beds, names, settings_in, write_config


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    folder = tmp_path / "disk"
    folder.mkdir()
    if shutil.which("mount") is None or os.geteuid() != 0:
        pytest.skip("only root may mount a small disk")
    made = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=8m", "tmpfs", str(folder)], capture_output=True, check=False
    )
    if made.returncode:
        pytest.skip(f"a small disk cannot be mounted here: {made.stderr.decode().strip()}")
    yield folder
    subprocess.run(["umount", "-l", str(folder)], check=True)


def test_a_disk_that_fills_up(small_disk: Path) -> None:
    with beds(names(4)) as (host, given):
        settings = settings_in(small_disk, host.address, names(4))
        store = Store(settings.farm.database, patience_seconds=0.5)
        status = ServiceStatus(NOW)
        found = Polling(settings, DurableWriter(store), status, threading.Event(), random.Random(1))
        now = NOW
        found.step(now, lambda: now)
        assert status.facts.store.is_well
        before = store.reading_count()
        filler = small_disk / "filler"
        with filler.open("wb", buffering=0) as stream:
            _fill(stream)
            kinds = set()
            for _ in range(8):
                now += timedelta(minutes=6)
                found.step(now, lambda at=now: at)  # type: ignore[misc]
                kinds.add(status.facts.store.kind)
                _fill(stream)
        assert "full" in kinds
        [report_problem] = status.facts.problems
        assert report_problem.what == "database"
        assert "no room is left" in report_problem.words
        assert status.facts.store.pending + status.facts.store.lost > 0
        lost = status.facts.store.lost
        filler.unlink()
        now += timedelta(minutes=6)
        found.step(now, lambda: now)
        found.step(now + timedelta(seconds=1), lambda: now)
        assert status.facts.store.kind == "ok"
        assert status.facts.store.pending == 0
        # What was read is there, less what was counted as lost and said.
        kept = store.reading_count()
        assert before < kept
        assert kept == sum(given.given.values()) - lost
        found.close()


def _fill(stream: FileIO) -> None:
    """Take all the room there is."""
    size = 1 << 20
    while size >= 4096:
        try:
            if stream.write(b"\0" * size) < size:
                raise OSError
        except OSError:
            size //= 2


@pytest.mark.long
def test_a_log_that_cannot_be_written_stops_nothing(tmp_path: Path) -> None:
    """Every write to /dev/full fails as on a full disk (full(4))."""
    with beds(names(1)) as (host, given), Path("/dev/full").open("w") as full:
        config = write_config(tmp_path, host.address, names(1), every=0.05)
        command = [sys.executable, "-m", "farmwatch", "--config", str(config), "run"]
        with subprocess.Popen(command, stdout=full, stderr=full) as process:
            end = time.monotonic() + 60
            while given.given["heron-01"] < 4:
                assert process.poll() is None
                assert time.monotonic() < end
                time.sleep(0.05)
            process.send_signal(signal.SIGTERM)
            assert process.wait(60) == 0
    assert Store(tmp_path / "farmwatch.duckdb").reading_count() == given.given["heron-01"]
