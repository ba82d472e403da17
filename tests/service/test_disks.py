"""Disks that are full, read-only or gone: the service lives, says so, and stores all again when they are back."""

from __future__ import annotations

import os
import random
import shutil
import subprocess
import threading
from collections.abc import Iterator
from datetime import date, timedelta
from pathlib import Path

import pytest

from farmwatch.errors import FarmwatchError
from farmwatch.service.jobs import do
from farmwatch.service.polling import Polling
from farmwatch.service.published import problems
from farmwatch.service.status import ServiceStatus
from farmwatch.service.worker import Job
from farmwatch.store import DurableWriter, Store
from tests.service.farm import NOW, beds, names, settings_in

pytestmark = pytest.mark.long

MINUTES = timedelta(minutes=6)


def mount(*arguments: str) -> None:
    done = subprocess.run(["mount", *arguments], capture_output=True, check=False)
    if done.returncode:
        pytest.skip(f"nothing can be mounted here: {done.stderr.decode().strip()}")


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of 16 MB, mounted a second time at the place where the farm lies, so that it can go and come back."""
    if shutil.which("mount") is None or os.geteuid() != 0:
        pytest.skip("only root may mount a disk")
    under, place = tmp_path / "under", tmp_path / "farm"
    under.mkdir()
    place.mkdir()
    mount("-t", "tmpfs", "-o", "size=16m", "tmpfs", str(under))
    mount("--bind", str(under), str(place))
    yield place
    for path in (place, under):
        subprocess.run(["umount", "-l", str(path)], capture_output=True, check=False)


def fill(folder: Path) -> Path:
    ballast = folder / "ballast"
    with ballast.open("wb", buffering=0) as file:
        try:
            while True:
                file.write(bytes(64 * 1024))
        except OSError:
            pass
    return ballast


class Farm:
    """Polls of two machines in this process."""

    def __init__(self, disk: Path, address: str) -> None:
        self.settings = settings_in(disk, address, names(2))
        self.store = Store(self.settings.farm.database, patience_seconds=0.5)
        self.status = ServiceStatus(NOW)
        self.polling = Polling(
            self.settings, DurableWriter(self.store), self.status, threading.Event(), random.Random(1)
        )
        self.rounds = 0

    def poll(self, number: int = 1) -> None:
        for _ in range(number):
            self.rounds += 1
            self.polling.step(NOW + self.rounds * MINUTES)

    @property
    def said(self) -> str:
        return " ".join(one.words for one in problems(self.status.facts, NOW) if one.what == "database")


def test_a_disk_that_is_taken_away_and_comes_back(disk: Path) -> None:
    with beds(names(2)) as (host, given):
        farm = Farm(disk, host.address)
        farm.poll(3)
        stored = farm.store.reading_count()
        assert stored == 6
        subprocess.run(["umount", "-l", str(disk)], check=True)
        farm.poll(3)
        assert "is gone" in farm.said
        # Nothing is begun anew in the empty place, where it would be hidden when the disk is back.
        assert not list(disk.iterdir())
        mount("--bind", str(disk.parent / "under"), str(disk))
        farm.poll(2)
        assert farm.store.reading_count() == stored + 4
        # What was read meanwhile was never taken for stored.
        assert farm.status.facts.store.lost == sum(given.given.values()) - farm.store.reading_count()
        farm.polling.close()


def test_a_disk_that_becomes_read_only_and_writable_again(disk: Path) -> None:
    with beds(names(2)) as (host, _):
        farm = Farm(disk, host.address)
        farm.poll(2)
        mount("-o", "remount,ro", str(disk.parent / "under"))
        mount("-o", "remount,ro,bind", str(disk))
        farm.poll(2)
        assert "read-only" in farm.said
        assert farm.store.reading_count() == 4
        mount("-o", "remount,rw", str(disk.parent / "under"))
        mount("-o", "remount,rw,bind", str(disk))
        farm.poll(1)
        assert farm.store.reading_count() == 6
        farm.polling.close()


def test_reports_and_copies_on_a_full_disk_are_said_and_made_when_there_is_room(disk: Path) -> None:
    with beds(names(2)) as (host, _):
        farm = Farm(disk, host.address)
        farm.poll(2)
        at = NOW + timedelta(hours=3)
        first = do(Job(kind="night", settings=farm.settings, at=at, night=date(2026, 11, 23)), farm.store)
        ballast = fill(disk)
        for kind in ("week", "night"):
            with pytest.raises(FarmwatchError, match=r"No space left|no room"):
                do(Job(kind=kind, settings=farm.settings, at=at, night=date(2026, 11, 24)), farm.store)  # type: ignore[arg-type]
        # The older copy is whole, and nothing half-made lies about.
        assert Store(Path(str(first["backup"]))).reading_count() == 4
        assert not [path for path in disk.rglob(".*") if path.is_file()]
        ballast.unlink()
        for kind in ("week", "night"):
            do(Job(kind=kind, settings=farm.settings, at=at, night=date(2026, 11, 24)), farm.store)  # type: ignore[arg-type]
        farm.polling.close()
