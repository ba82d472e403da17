"""kill -9 in mid-write, and a disk that fills up: nothing committed is lost, nothing is there twice or torn."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from farmwatch.history import Reading
from farmwatch.store import DurableWriter, Store

MakeReading = Callable[..., Reading]

# Rounds of 20 readings and polls; a round's number is printed once it is committed. A mesh says by its first height
# which reading it is, so that a torn one would show. It also leaves something in the pending file now and then.
_ROUNDS = """
import os, sys
from datetime import UTC, datetime, timedelta
from pathlib import Path
import numpy as np
from farmwatch.history import Reading
from farmwatch.mesh import Mesh
from farmwatch.store import DurableWriter, PollRecord, Store
start = datetime(2026, 1, 1, tzinfo=UTC)
x = np.linspace(10, 210, 5)
def reading(k):
    at = start + timedelta(minutes=k)
    z = np.full((5, 5), k * 1e-5)
    return Reading(machine=f"heron-{k % 20:02d}", taken_at=at, seen_at=at, time_from="host", mesh=Mesh.accept(x, x, z))
def rounds(path, first, out):
    writer = DurableWriter(Store(Path(path)))
    for r in range(first, 1_000_000):
        readings = [reading(20 * r + k) for k in range(20)]
        polls = [PollRecord(machine=given.machine, at=given.taken_at, outcome="new") for given in readings]
        if r % 3 == 0:
            writer.pending.append(readings, polls)
        else:
            writer.write(readings, polls)
        os.write(out, b"%d\\n" % r)
# Everything is imported once: each line asks for a copy of this process, that writes until it is killed.
for line in sys.stdin:
    first, name = line.split()
    child = os.fork()
    if child == 0:
        try:
            rounds(sys.argv[1], int(first), os.open(name, os.O_WRONLY))
        finally:
            os._exit(1)
    print(child, flush=True)
    os.waitpid(child, 0)
"""


@pytest.mark.long
def test_kill_9_at_random_moments_loses_and_doubles_nothing(tmp_path: Path) -> None:
    path = tmp_path / "farm.duckdb"
    rng = random.Random(11)
    promised = -1
    told = tmp_path / "told"
    os.mkfifo(told)
    command = [sys.executable, "-c", _ROUNDS, str(path)]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as writers:
        assert writers.stdin is not None
        assert writers.stdout is not None
        for _ in range(10):
            print(promised + 1, told, file=writers.stdin, flush=True)
            writer = int(writers.stdout.readline())
            with told.open() as stream:
                said = [stream.readline() for _ in range(rng.randrange(1, 5))]
                assert said[-1], "the writer ended by itself"
                time.sleep(rng.uniform(0.0, 0.03))
                os.kill(writer, signal.SIGKILL)
                said += stream.readlines()
            promised = max(promised, *(int(text) for text in said if text.endswith("\n")))
    assert writers.returncode == 0
    writer = DurableWriter(Store(path))
    assert writer.retry().is_well
    with writer.store.database.reading() as con:
        rows = con.execute(
            "SELECT (epoch_us(taken_at) - epoch_us(TIMESTAMPTZ '2026-01-01 00:00:00+00')) // 60000000, heights "
            "FROM readings"
        ).fetchall()
        polls = con.execute('SELECT count(*), count(DISTINCT "at") FROM polls').fetchone()
    numbers = sorted(number for number, _ in rows)
    assert len(numbers) == len(set(numbers)), "a reading stands twice"
    assert set(range(20 * (promised + 1))) <= set(numbers), "a committed reading is gone"
    assert len(numbers) % 20 == 0, "a round stands in part"
    assert all(heights == [number * 1e-5] * 25 for number, heights in rows), "a mesh is torn"
    assert polls == (len(numbers), len(numbers))


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 8 MB."""
    folder = tmp_path / "disk"
    folder.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=8m", "tmpfs", str(folder)]
    if os.geteuid() != 0 or subprocess.run(mount, capture_output=True, check=False).returncode != 0:
        pytest.skip("a small file system can be mounted by root only, and here not even so")
    yield folder
    subprocess.run(["umount", str(folder)], check=True)


def test_a_disk_that_fills_up_and_is_cleared(small_disk: Path, reading: MakeReading) -> None:
    """The farm's other files take the room; every reading that was stored or waits is there in the end."""
    writer = DurableWriter(Store(small_disk / "farm.duckdb"))
    writer.write([reading(seed=0)], [])
    ballast = small_disk / "ballast"
    with ballast.open("wb", buffering=0) as file:
        try:
            while True:
                file.write(bytes(4096))
        except OSError:
            pass
    os.truncate(ballast, ballast.stat().st_size - 64 * 1024)
    promised, kinds = {0}, set()
    for k in range(1, 16):
        written = writer.write([reading(hours=20 * k + i, seed=20 * k + i) for i in range(20)], [])
        kinds.add(written.state.kind)
        assert written.stored + written.waiting + written.lost == 20
        if not written.lost:
            promised |= {20 * k + i for i in range(20)}
    assert "full" in kinds
    assert written.state.lost > 0
    assert "could not be kept" in written.state.words
    assert "no room is left" in written.state.words
    assert writer.store.reading_count() >= 1
    ballast.unlink()
    after = writer.retry()
    assert (after.kind, after.pending) == ("ok", 0)
    digests = {reading(seed=k).mesh.digest() for k in promised}
    with writer.store.database.reading() as con:
        found = [row[0] for row in con.execute("SELECT digest FROM readings").fetchall()]
    assert digests <= set(found)
    assert len(found) == len(set(found))
    assert writer.write([reading(hours=9999, seed=9999)], []).stored == 1
