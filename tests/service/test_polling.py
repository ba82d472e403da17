"""Polls step by step: moved clocks, failing hosts, a database that cannot be had."""

import errno
import gc
import os
import random
import threading
import time
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from farmwatch.service.polling import Polling, tick_seconds
from farmwatch.service.status import ServiceStatus
from farmwatch.store import DurableWriter, Store
from farmwatch.store.errors import StoreBusy, StoreFull
from farmwatch.store.records import Claim
from tests.service.farm import NOW, beds, names, polling, settings_in

MINUTE = timedelta(minutes=1)


def step(found: Polling, now: datetime) -> int:
    return len(found.step(now, lambda: now).records)


def test_all_are_asked_and_what_they_say_is_stored(tmp_path: Path) -> None:
    with beds(names(3)) as (host, _):
        settings = settings_in(tmp_path, host.address, names(3))
        store = Store(settings.farm.database)
        found = polling(settings, store)
        assert step(found, NOW) == 3
        assert found._status.facts.newest_reading_at == NOW
        assert step(found, NOW + timedelta(seconds=5)) == 0
        assert step(found, NOW + 6 * MINUTE) == 3
        assert store.reading_count() == 6
        found.close()


def test_a_machine_that_somebody_attends_to_is_left_alone(tmp_path: Path) -> None:
    with beds(names(2)) as (host, given):
        settings = settings_in(tmp_path, host.address, names(2))
        store = Store(settings.farm.database)
        store.claim(Claim(machine="heron-01", session="s", by="bench", since=NOW, seen_at=NOW))
        found = polling(settings, store)
        assert step(found, NOW) == 1
        assert given.given == {"heron-01": 0, "heron-02": 1}
        store.leave("heron-01", "s")
        assert step(found, NOW + timedelta(seconds=5)) == 1
        found.close()


def test_the_tick_follows_the_shortest_interval() -> None:
    assert tick_seconds(None) == 15.0
    assert tick_seconds(30 * MINUTE) == 15.0
    assert tick_seconds(MINUTE) == 3.0
    assert tick_seconds(timedelta(seconds=3)) == 0.5


def test_new_settings_are_polled_by(tmp_path: Path) -> None:
    with beds(names(3)) as (host, _):
        settings = settings_in(tmp_path, host.address, names(2))
        found = polling(settings)
        assert step(found, NOW) == 2
        found.use(settings_in(tmp_path, host.address, names(3)))
        assert step(found, NOW + timedelta(seconds=1)) == 1
        found.close()


def test_once_the_end_is_set_nobody_is_asked(tmp_path: Path) -> None:
    stop = threading.Event()
    with beds(names(2)) as (host, _):
        found = polling(settings_in(tmp_path, host.address, names(2)), stop=stop)
        stop.set()
        assert step(found, NOW) == 0
        found.close()


def test_a_damaged_database_is_a_state_and_what_is_read_waits(tmp_path: Path) -> None:
    settings = None
    with beds(names(2)) as (host, given):
        settings = settings_in(tmp_path, host.address, names(2))
        whole = settings.farm.database
        Store(whole).check()
        kept = whole.read_bytes()
        whole.write_bytes(b"\0" * 4096)
        status = ServiceStatus(NOW)
        found = Polling(
            settings, DurableWriter(Store(whole, patience_seconds=0.5)), status, threading.Event(), random.Random(1)
        )
        step(found, NOW)
        step(found, NOW + 6 * MINUTE)
        assert status.facts.store.kind == "damaged"
        assert status.facts.store.pending == 4
        [report_problem] = status.facts.problems
        assert "damaged" in report_problem.words
        assert "farmwatch restore" in report_problem.words
        whole.write_bytes(kept)
        step(found, NOW + timedelta(minutes=6, seconds=10))
        assert status.facts.store.is_well
        assert not status.facts.problems
        assert Store(whole).reading_count() == sum(given.given.values()) == 4
        found.close()


def test_a_read_only_database_is_a_state(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with beds(names(1)) as (host, _):
        settings = settings_in(tmp_path, host.address, names(1))
        store = Store(settings.farm.database, patience_seconds=0.5)
        store.check()
        status = ServiceStatus(NOW)
        found = Polling(settings, DurableWriter(store), status, threading.Event(), random.Random(1))
        # Root may write everywhere, so it is the question that is answered otherwise.
        allowed = os.access
        monkeypatch.setattr("farmwatch.store.database.os.access", lambda path, mode: mode != os.W_OK)
        step(found, NOW)
        assert status.facts.store.kind == "read-only"
        assert status.facts.store.pending == 1
        monkeypatch.setattr("farmwatch.store.database.os.access", allowed)
        step(found, NOW + MINUTE)
        assert status.facts.store.is_well
        assert store.reading_count() == 1
        found.close()


# What measures coverage keeps objects of its own.
@pytest.mark.long
@pytest.mark.no_cover
def test_three_hundred_polls_of_failing_hosts_leave_nothing_behind(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Half of the answers fail at random, the clock jumps; 10,000 polls are the long form, in bench_endurance."""
    # What is logged would be kept by the test's own handlers.
    monkeypatch.setattr("farmwatch.service.polling.log_event", lambda *_, **__: None)
    # What other tests and modules have left is neither looked through nor counted at every step.
    gc.collect()
    gc.freeze()
    try:
        objects = _objects_after_each_step(tmp_path)
    finally:
        gc.unfreeze()
    assert slope(objects[len(objects) // 3 :]) < 3


def _objects_after_each_step(tmp_path: Path) -> list[int]:
    with beds(names(10), failing=0.5) as (host, given):
        settings = settings_in(tmp_path, host.address, names(10))
        store = Store(settings.farm.database, patience_seconds=0.5)
        status = ServiceStatus(NOW)
        found = Polling(settings, DurableWriter(store), status, threading.Event(), random.Random(1))
        rng = random.Random(5)
        now, polls = NOW, 0
        objects: list[int] = []
        # With DuckDB awake and the hosts asked once, all that is to stay open is open.
        step(found, now)
        polls, before = 10, open_files()
        while polls < 300:
            now += rng.choice([timedelta(hours=3), timedelta(hours=3), timedelta(days=1), timedelta(hours=-1)])
            polls += step(found, now)
            # The hosts of the test keep what they were asked.
            host.asked.clear()
            host.headers.clear()
            gc.collect()
            objects.append(len(gc.get_objects()))
        assert not [thread for thread in threading.enumerate() if thread.name.startswith("farmwatch-poll")]
        assert sum(status.facts.polls.values()) == polls
        assert store.reading_count() == sum(given.given.values())
        found.close()
        # Both ends of every connection stand in this process.
        assert eventually(lambda: open_files() <= before)
    return objects


def open_files() -> int:
    """Files and sockets that this process holds open."""
    return sum(1 for _ in Path("/proc/self/fd").iterdir())


def eventually(what: Callable[[], bool]) -> bool:
    """Whether it comes true: the hosts' threads close their ends a moment later."""
    end = time.monotonic() + 10
    while not what() and time.monotonic() < end:
        time.sleep(0.02)
    return what()


def slope(counts: list[int]) -> float:
    """Objects a step, less three standard deviations of the slope."""
    (rise, _), covariance = np.polyfit(np.arange(len(counts), dtype=float), counts, 1, cov=True)
    return float(rise - 3 * np.sqrt(covariance[0, 0]))


def test_a_reader_in_the_way_is_amiss_only_when_it_stays(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with beds(names(1)) as (host, _):
        settings = settings_in(tmp_path, host.address, names(1))
        store = Store(settings.farm.database)
        status = ServiceStatus(NOW)
        found = Polling(settings, DurableWriter(store), status, threading.Event(), random.Random(1))

        def busy(*_: object) -> int:
            raise StoreBusy("held by process 7")

        monkeypatch.setattr(Store, "add_round", busy)
        monkeypatch.setattr(Store, "check", busy)
        step(found, NOW)
        assert status.facts.store.kind == "waiting"
        assert status.facts.store.pending == 1
        assert not status.facts.problems
        step(found, NOW + 6 * MINUTE)
        assert [one.what for one in status.facts.problems] == ["database"]
        monkeypatch.undo()
        step(found, NOW + timedelta(minutes=6, seconds=10))
        assert not status.facts.problems
        assert store.reading_count() == 2
        found.close()


def test_a_loss_is_said_for_a_day_after_all_else_is_well(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object) -> int:
        raise StoreFull("no room")

    def no_room(descriptor: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with beds(names(1)) as (host, _):
        settings = settings_in(tmp_path, host.address, names(1))
        store = Store(settings.farm.database)
        store.check()
        status = ServiceStatus(NOW)
        found = Polling(settings, DurableWriter(store), status, threading.Event(), random.Random(1))
        with monkeypatch.context() as patched:
            patched.setattr(Store, "add_round", full)
            patched.setattr(os, "fsync", no_room)
            step(found, NOW)
        assert status.facts.store.lost == 1
        step(found, NOW + 6 * MINUTE)
        # Each answer of this host is another mesh, so the one that was lost does not come again.
        assert (status.facts.store.kind, status.facts.store.pending, status.facts.store.lost) == ("ok", 0, 1)
        assert ["could not be kept" in one.words for one in status.facts.problems] == [True]
        step(found, NOW + timedelta(hours=23))
        assert status.facts.problems
        step(found, NOW + timedelta(hours=24, minutes=1))
        assert not status.facts.problems
        assert status.facts.store.lost == 1
        found.close()
