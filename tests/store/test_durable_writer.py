"""What was read is stored, or waits in the pending file, or is counted: nothing goes in silence, nothing raises."""

from __future__ import annotations

import errno
import os
import subprocess
import sys
from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from farmwatch.history import Reading
from farmwatch.store import DurableWriter, PollRecord, Store
from farmwatch.store.errors import StoreDamaged, StoreFull
from farmwatch.store.pending import Batch, PendingFile

MakeReading = Callable[..., Reading]
T0 = datetime(2026, 11, 23, 5, 58, 12, tzinfo=UTC)


def poll(k: int = 0) -> PollRecord:
    return PollRecord(machine="heron-01", at=T0 + timedelta(minutes=k), outcome="new", reason="ßé\n", seconds=0.25)


class Unwell(Store):
    """A store whose disk is full while `fault` is set."""

    fault: Exception | None = None

    def add_round(self, new: object, records: Sequence[PollRecord]) -> int:
        if self.fault:
            raise self.fault
        return super().add_round(new, records)  # type: ignore[arg-type]


@pytest.fixture
def unwell(tmp_path: Path) -> Unwell:
    return Unwell(tmp_path / "farm.duckdb", patience_seconds=0.2)


def test_all_well(store: Store, reading: MakeReading) -> None:
    writer = DurableWriter(store)
    written = writer.write([reading()], [poll()])
    assert (written.stored, written.waiting, written.lost) == (1, 0, 0)
    assert written.state.is_well
    assert written.state.words == ""
    assert writer.write([reading()], [poll(1)]).stored == 0
    assert not writer.pending.path.exists()


def test_a_database_that_was_moved_away_is_said_and_not_taken_for_a_new_farm(
    store: Store, reading: MakeReading, tmp_path: Path
) -> None:
    writer = DurableWriter(store)
    assert writer.last_digests() == {}
    assert writer.state.is_well
    writer.write([reading()], [])
    assert len(writer.last_digests()) == 1
    store.path.rename(tmp_path / "elsewhere.duckdb")
    assert writer.last_digests() == {}
    written = writer.write([reading(seed=1, hours=1)], [])
    assert written.stored == 1
    writer.last_digests()
    assert not writer.retry().is_well
    assert "moved away or replaced" in writer.state.words


def test_what_cannot_be_stored_waits_and_is_loaded_once(unwell: Unwell, reading: MakeReading) -> None:
    writer = DurableWriter(unwell)
    unwell.fault = StoreFull("no room")
    first = writer.write([reading(seed=k, hours=k) for k in range(3)], [poll(k) for k in range(3)])
    assert (first.stored, first.waiting, first.lost) == (0, 3, 0)
    assert first.state.kind == "full"
    assert "no room" in first.state.words
    assert "3 readings wait in" in first.state.words
    assert writer.write([reading(seed=2, hours=2)], []).state.pending == 4
    unwell.fault = None
    done = writer.write([reading(seed=9, hours=9)], [poll(9)])
    assert (done.stored, done.state.kind, done.state.pending) == (1, "ok", 0)
    assert unwell.reading_count() == 4
    assert unwell.polls(T0, T0 + timedelta(days=1)) == [poll(0), poll(1), poll(2), poll(9)]
    assert unwell.latest()["heron-01"].mesh.same_as(reading(seed=9).mesh)


def test_a_reading_comes_back_from_the_pending_file_as_it_was(tmp_path: Path, reading: MakeReading) -> None:
    given = [
        reading(),
        reading(seed=1, bed_celsius=None, plate=None, celsius_is="now", time_from="unknown", during_work=True),
    ]
    pending = PendingFile(tmp_path / "p")
    pending.append(given, [])
    for before, after in zip(given, pending.waiting(), strict=True):
        assert after.mesh.same_as(before.mesh)
        for name in (
            "machine",
            "taken_at",
            "seen_at",
            "time_from",
            "bed_celsius",
            "celsius_is",
            "plate",
            "during_work",
        ):
            assert getattr(after, name) == getattr(before, name), name


def test_the_same_mesh_is_known_again_while_it_waits(unwell: Unwell, reading: MakeReading) -> None:
    """Else a host without times of its own would be read anew at every poll."""
    writer = DurableWriter(unwell)
    writer.write([reading(seed=1)], [])
    unwell.fault = StoreDamaged("rot")
    writer.write([reading(seed=2, hours=1), reading("plover-01", seed=3)], [])
    known = {name: last.digest for name, last in writer.last_digests().items()}
    assert known == {"heron-01": reading(seed=2).mesh.digest(), "plover-01": reading(seed=3).mesh.digest()}
    unwell.path.write_bytes(b"x" * 9000)
    assert {name: last.digest for name, last in writer.last_digests().items()} == known
    assert writer.state.kind == "damaged"


def test_text_that_is_no_unicode_is_no_reason_to_lose_a_reading(store: Store, reading: MakeReading) -> None:
    """A host may answer with half a surrogate pair in its JSON."""
    broken = PollRecord(machine="heron-01", at=T0, outcome="garbled", reason="plate \ud800 \x00 = ?")
    store.add_round([reading(plate="\ud800A")], [broken])
    writer = DurableWriter(store)
    writer.pending.append([reading(hours=1, seed=1, plate="\ud800A")], [broken])
    assert writer.retry().is_well
    assert store.histories()["heron-01"].plate.tolist() == ["?A", "?A"]
    assert [p.reason for p in store.polls(T0, T0)] == ["plate ? \x00 = ?"]


@pytest.mark.parametrize("cut", [1, 40, 200])
def test_a_torn_last_line_is_dropped_and_the_rest_kept(
    tmp_path: Path, store: Store, reading: MakeReading, cut: int
) -> None:
    writer = DurableWriter(store)
    writer.pending.append([reading(seed=1), reading(seed=2, hours=1)], [])
    body = writer.pending.path.read_bytes()
    writer.pending.path.write_bytes(body[:-cut])
    assert writer.pending.count() == 1
    writer.pending.append([reading(seed=3, hours=2)], [])
    assert writer.pending.count() == 2
    assert writer.retry().is_well
    assert store.reading_count() == 2
    assert writer.pending.path.read_bytes() == b""


def test_lines_nobody_can_read_are_set_aside_not_thrown_away(store: Store, reading: MakeReading) -> None:
    writer = DurableWriter(store)
    writer.pending.append([reading()], [poll()])
    noise = b'\x00\xff\n{"machine":"heron-01"}\n[1]\n{"poll":{"machine":"a"}}\n'
    with writer.pending.path.open("ab") as file:
        file.write(noise)
    assert writer.retry().is_well
    assert store.reading_count() == 1
    assert Path(f"{writer.pending.path}.unread").read_bytes() == noise


def test_a_crash_between_loading_and_emptying_costs_nothing(store: Store, reading: MakeReading) -> None:
    writer = DurableWriter(store)
    writer.pending.append([reading(seed=k, hours=k) for k in range(5)], [poll(k) for k in range(5)])
    body = writer.pending.path.read_bytes()
    writer.retry()
    writer.pending.path.write_bytes(body)
    writer.retry()
    assert store.reading_count() == 5
    assert len(store.polls(T0, T0 + timedelta(days=1))) == 5


def test_loading_that_fails_half_way_keeps_everything_waiting(tmp_path: Path, reading: MakeReading) -> None:
    pending = PendingFile(tmp_path / "p")
    pending.append([reading(seed=k, hours=k) for k in range(3)], [])

    def fail(batch: Batch) -> None:
        raise StoreFull("no room")

    with pytest.raises(StoreFull):
        pending.load(fail)
    assert pending.count() == 3


def test_what_even_the_pending_file_cannot_take_is_counted_once_and_said(
    unwell: Unwell, reading: MakeReading, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(descriptor: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    writer = DurableWriter(unwell)
    unwell.fault = StoreFull("no room")
    writer.write([reading(seed=1)], [])
    with monkeypatch.context() as patched:
        patched.setattr(os, "fsync", full)
        for _ in range(3):
            written = writer.write([reading(seed=2, hours=1)], [])
            assert (written.waiting, written.lost) == (0, 1)
    assert (written.state.pending, written.state.lost) == (1, 1)
    assert "cannot grow either" in written.state.words
    assert "1 readings could not be kept" in written.state.words
    unwell.fault = None
    after = writer.write([], [poll()])
    assert (after.state.kind, after.state.pending, after.state.lost) == ("ok", 0, 1)
    assert not after.state.is_well
    # The host still shows that mesh: the next poll reads it again, and then nothing is lost.
    assert writer.write([reading(seed=2, hours=1)], []).state.is_well


def test_a_pending_file_that_cannot_be_opened_does_not_keep_new_readings_out(
    store: Store, reading: MakeReading
) -> None:
    writer = DurableWriter(store)
    writer.pending.path.mkdir()
    written = writer.write([reading()], [])
    assert written.stored == 1


def test_a_held_database_is_waited_out_by_the_pending_file(unwell: Unwell, reading: MakeReading) -> None:
    writer = DurableWriter(unwell)
    unwell.check()
    code = "import duckdb, sys; c = duckdb.connect(sys.argv[1]); print('in', flush=True); sys.stdin.readline()"
    with subprocess.Popen(
        [sys.executable, "-c", code, str(unwell.path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as other:
        assert other.stdout is not None
        other.stdout.readline()
        written = writer.write([reading()], [poll()])
        assert (written.waiting, written.state.kind) == (1, "waiting")
        assert f"held by process {other.pid}" in written.state.words
        other.communicate("\n", timeout=30)
    assert writer.retry().is_well
    assert unwell.reading_count() == 1


def test_two_processes_may_append_at_once(tmp_path: Path, reading: MakeReading) -> None:
    code = (
        "import sys; from datetime import UTC, datetime, timedelta; from pathlib import Path;"
        "from farmwatch.store import PollRecord; from farmwatch.store.pending import PendingFile;"
        "p = PendingFile(Path(sys.argv[1])); t = datetime(2026, 1, 1, tzinfo=UTC);"
        "[p.append([], [PollRecord(machine=sys.argv[2], at=t + timedelta(seconds=k), outcome='same')])"
        " for k in range(40)]"
    )
    path = tmp_path / "p"
    others = [subprocess.Popen([sys.executable, "-c", code, str(path), name]) for name in ("a", "b")]
    for other in others:
        assert other.wait(timeout=60) == 0
    found: list[PollRecord] = []
    PendingFile(path).load(lambda batch: found.extend(batch.polls))
    assert sorted(p.machine for p in found) == ["a"] * 40 + ["b"] * 40


def test_a_bug_is_raised_but_costs_no_reading(unwell: Unwell, reading: MakeReading) -> None:
    writer = DurableWriter(unwell)
    unwell.fault = ZeroDivisionError()
    with pytest.raises(ZeroDivisionError):
        writer.write([reading()], [])
    unwell.fault = None
    assert writer.retry().is_well
    assert unwell.reading_count() == 1
