"""Clocks that lie: set far ahead or back in every state of the service, never set at all, and what stays of it."""

from __future__ import annotations

import logging
import threading
import time
import tracemalloc
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta, tzinfo
from pathlib import Path

import pytest

from farmwatch.config import Settings
from farmwatch.config.settings import ServiceSection
from farmwatch.service.clock import ClockWatch, Repeater, Schedule
from farmwatch.service.published import problems
from farmwatch.service.running import Service
from farmwatch.store import Store
from tests.service.farm import Beds, beds, names, settings_in

BOARD = datetime(1970, 1, 1, 0, 0, 20, tzinfo=UTC)
NOW = datetime(2026, 11, 23, 9, 0, tzinfo=UTC)
PATIENCE = 30.0


class Clock:
    """A clock that goes, and is set at will."""

    def __init__(self, at: datetime) -> None:
        self.set(at)

    def set(self, at: datetime) -> None:
        self._at, self._since = at, time.monotonic()

    def __call__(self) -> datetime:
        return self._at + timedelta(seconds=time.monotonic() - self._since)


class Played:
    """A service in this process, whose clock the test sets; its main thread's look is called by hand."""

    def __init__(self, settings: Settings, at: datetime) -> None:
        self.clock = Clock(at)
        self.service = Service(settings, clock=self.clock)
        self.jobs: list[datetime] = []
        self.hold = threading.Event()
        self.hold.set()
        self.rounds = 0
        step = self.service.polling.step

        def counted(now: datetime, clock: Callable[[], datetime] | None = None) -> object:
            self.rounds += 1
            return step(now, clock)

        def job(now: datetime) -> None:
            self.jobs.append(now)
            self.hold.wait(PATIENCE)

        self.service.polling.step = counted  # type: ignore[method-assign,assignment]
        self.service.jobs.step = job  # type: ignore[method-assign]
        self.watch = ClockWatch(self.clock().timestamp(), time.monotonic())

    def set_clock(self, at: datetime) -> None:
        self.clock.set(at)
        self.service._look(self.watch)


@contextmanager
def played(folder: Path, at: datetime, *, every: float = 30.0) -> Iterator[tuple[Played, Beds]]:
    with beds(names(1)) as (host, given):
        settings = settings_in(folder, host.address, names(1), service=ServiceSection(listen="127.0.0.1:0"))
        settings = settings.model_copy(update={"poll": settings.poll.model_copy(update={"every_minutes": every})})
        play = Played(settings, at)
        play.service._start()
        try:
            until(lambda: given.given["heron-01"] == 1 and play.jobs)
            yield play, given
        finally:
            play.hold.set()
            begin = time.monotonic()
            assert play.service._end()
            assert time.monotonic() - begin < 10


def until(true: Callable[[], object]) -> None:
    end = time.monotonic() + PATIENCE
    while not true():
        assert time.monotonic() < end
        time.sleep(0.01)


@pytest.mark.parametrize("state", ["asleep", "polling", "at night's work"])
@pytest.mark.parametrize(("before", "after"), [(BOARD, NOW), (NOW, BOARD), (NOW, NOW - timedelta(hours=1))])
def test_a_clock_that_jumps_costs_one_round_and_no_memory(
    tmp_path: Path, before: datetime, after: datetime, state: str
) -> None:
    with played(tmp_path, before) as (play, given):
        if state == "at night's work":
            play.hold.clear()
            done = len(play.jobs)
            play.service.repeaters["jobs"].wake()
            until(lambda: len(play.jobs) > done)
        lock = play.service.polling._lock
        if state == "polling":
            lock.acquire()
            play.service.repeaters["polls"].wake()
        rounds, asked = play.rounds, given.given["heron-01"]
        tracemalloc.start()
        play.set_clock(after)
        if state == "polling":
            lock.release()
        play.hold.set()
        # Ahead everything is due, once; back nothing is due before its own wait has passed.
        ahead = after > before
        until(lambda: given.given["heron-01"] >= asked + ahead and play.rounds > rounds)
        time.sleep(0.3)
        play.service._look(play.watch)
        _, most = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        assert given.given["heron-01"] == asked + ahead
        # The wake-up of the jump, and the round that may have been under way.
        assert play.rounds <= rounds + 2
        assert most < 4 << 20
        found = {one.what for one in problems(play.service.status.facts, play.clock())}
        assert found == ({"clock"} if after == BOARD else set())


def test_a_clock_set_back_an_hour_does_not_stop_the_polls(tmp_path: Path) -> None:
    with played(tmp_path, NOW, every=0.005) as (play, given):
        play.set_clock(NOW - timedelta(hours=1))
        asked = given.given["heron-01"]
        until(lambda: given.given["heron-01"] >= asked + 2)


def test_a_clock_that_was_never_set_is_said_and_its_readings_are_of_unknown_time(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    with caplog.at_level(logging.INFO), played(tmp_path, BOARD) as (play, given):
        assert "clock-not-set" in caplog.text
        [problem] = problems(play.service.status.facts, play.clock())
        assert problem.what == "clock"
        assert "1970" in problem.words
        store = Store(play.service.settings.farm.database)
        until(store.latest)
        first = store.latest()["heron-01"]
        assert (first.time_from, first.taken_at.year) == ("unknown", 1970)
        play.set_clock(NOW)
        until(lambda: given.given["heron-01"] == 2 and store.latest()["heron-01"].taken_at >= NOW)
        assert store.latest()["heron-01"].time_from == "seen"
        assert not problems(play.service.status.facts, play.clock())


def test_nothing_is_reported_or_backed_up_by_a_clock_that_was_never_set(tmp_path: Path) -> None:
    settings = settings_in(tmp_path, None, names(1), service=ServiceSection(listen="127.0.0.1:0"))
    service = Service(settings, clock=lambda: BOARD)
    sent: list[object] = []
    service.jobs._run_job = lambda job, _: sent.append(job)  # type: ignore[assignment,func-returns-value]
    service.status.note(round_ended_at=BOARD)
    service.jobs.step(BOARD)
    assert not sent
    service.jobs.step(NOW)
    assert sent
    service.pages.close()
    service.polling.close()


def test_a_step_that_fails_is_said_and_goes_on() -> None:
    ended: list[Exception | None] = []
    stop, calls = threading.Event(), [0]

    def step() -> None:
        calls[0] += 1
        if calls[0] == 1:
            raise ZeroDivisionError

    repeater = Repeater("polls", step, stop, lambda _, fault: ended.append(fault))
    schedule = Schedule({"polls": repeater}, {"polls": lambda: 0.01})
    repeater.start()
    schedule.start()
    until(lambda: len(ended) >= 2)
    schedule.end()
    stop.set()
    repeater.wake()
    assert repeater.join(PATIENCE)
    assert isinstance(ended[0], ZeroDivisionError)
    assert ended[1] is None


def test_a_new_configuration_does_not_wait_for_a_round_that_hangs(tmp_path: Path) -> None:
    with played(tmp_path, NOW) as (play, _):
        with play.service.polling._lock:
            begin = time.monotonic()
            play.service._use(play.service.settings.model_copy(update={"machines": ()}))
            assert time.monotonic() - begin < 5
        until(lambda: play.service.polling.tick == 15.0)


class _Wall(datetime):
    """The clock on the wall as the scheduler reads it, moved by `by`."""

    by = timedelta(0)

    @classmethod
    def now(cls, tz: tzinfo | None = None) -> datetime:  # type: ignore[override]
        return datetime.now(tz) + cls.by


@pytest.mark.parametrize("years", [56, -56])
def test_the_scheduler_wakes_once_for_a_clock_set_by_years_and_goes_on(
    monkeypatch: pytest.MonkeyPatch, years: int
) -> None:
    """The scheduler's own clock jumps under it; it must neither make good 56 years nor wait for them to come again."""
    monkeypatch.setattr("apscheduler.schedulers.base.datetime", _Wall)
    monkeypatch.setattr("farmwatch.service.clock.datetime", _Wall)
    monkeypatch.setattr(_Wall, "by", timedelta(0))
    woken = [0]

    class Counted(Repeater):
        def wake(self) -> None:
            woken[0] += 1

    schedule = Schedule(
        {"polls": Counted("polls", lambda: None, threading.Event(), lambda *_: None)}, {"polls": lambda: 0.05}
    )
    schedule.start()
    try:
        until(lambda: woken[0] >= 2)
        tracemalloc.start()
        monkeypatch.setattr(_Wall, "by", timedelta(days=365.25 * years))
        before = woken[0]
        schedule.moved()
        until(lambda: woken[0] >= before + 3)
        _, most = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        # Millions of moments were missed or are to come again; as many wake-ups as the time since allows.
        assert woken[0] < before + 200
        assert most < 4 << 20
    finally:
        schedule.end()
