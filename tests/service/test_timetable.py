"""When machines are asked: intervals, back-off, clocks that are set."""

import random
from collections import Counter
from datetime import UTC, datetime, timedelta

import pytest

from farmwatch.service.timetable import JITTER, Timetable, wait_after

NOW = datetime(2026, 11, 23, 6, 0, tzinfo=UTC)
MINUTE = timedelta(minutes=1)


def table(**minutes: float) -> Timetable:
    found = Timetable(random.Random(3))
    found.set_intervals({name: timedelta(minutes=value) for name, value in minutes.items()})
    return found


def ask(timetable: Timetable, now: datetime, outcome: str = "same") -> tuple[str, ...]:
    names = timetable.due(now).names
    for name in names:
        timetable.asked(name, outcome, now)  # type: ignore[arg-type]
    return names


def test_all_are_asked_at_once_and_then_about_once_an_interval() -> None:
    timetable = table(**{f"m{n}": 5 for n in range(40)})
    asked: Counter[str] = Counter()
    moments: set[datetime] = set()
    for second in range(0, 3600, 10):
        now = NOW + timedelta(seconds=second)
        for name in ask(timetable, now):
            asked[name] += 1
            moments.add(now)
    # 12 intervals of 5 minutes, shortened by up to 5 %, the first of them anywhere from a tenth on.
    assert set(asked.values()) <= {12, 13, 14}
    assert len(moments) > 200  # spread over the hour, and not in 13 lumps


def test_the_wait_after_a_success_lies_within_the_jitter() -> None:
    timetable = table(heron=30)
    ask(timetable, NOW)
    now = NOW + timedelta(minutes=31)
    assert ask(timetable, now) == ("heron",)
    assert not timetable.due(now + 30 * MINUTE * (1 - JITTER) - timedelta(seconds=1)).names
    assert timetable.due(now + 30 * MINUTE).names == ("heron",)


@pytest.mark.parametrize(
    ("interval", "failures", "wait"),
    [
        (5, 0, 5),
        (5, 1, 10),
        (5, 2, 20),
        (5, 4, 80),
        (5, 5, 120),
        (5, 50, 120),
        (180, 3, 180),
        (10080, 0, 10080),
        (10080, 1, 1440),
    ],
)
def test_a_failing_host_is_asked_less_often_and_at_least_once_a_day(interval: int, failures: int, wait: int) -> None:
    assert wait_after(interval * MINUTE, failures) == wait * MINUTE


def test_a_success_ends_the_back_off() -> None:
    timetable = table(heron=5)
    now = NOW
    for _ in range(10):
        ask(timetable, now, "unreachable")
        now += timedelta(hours=3)
    assert timetable.failing() == 1
    ask(timetable, now, "same")
    assert timetable.failing() == 0
    assert timetable.due(now + 5 * MINUTE).names == ("heron",)


@pytest.mark.parametrize("outcome", ["no-mesh", "implausible", "new"])
def test_a_host_that_answers_is_asked_as_ever(outcome: str) -> None:
    timetable = table(heron=5)
    ask(timetable, NOW, outcome)
    assert timetable.failing() == 0


def test_missed_moments_collapse_into_one() -> None:
    timetable = table(heron=5)
    ask(timetable, NOW)
    later = NOW + timedelta(days=1)
    assert ask(timetable, later) == ("heron",)
    assert not timetable.due(later + timedelta(seconds=10)).names


def test_a_clock_set_back_keeps_nobody_waiting_longer_than_an_interval() -> None:
    timetable = table(heron=5)
    ask(timetable, NOW)
    back = NOW - timedelta(hours=1)
    assert not timetable.due(back).names
    assert timetable.due(back + 5 * MINUTE).names == ("heron",)


def test_machines_left_alone_are_due_when_they_are_free() -> None:
    timetable = table(heron=5, plover=5)
    assert timetable.due(NOW, ["heron"]).names == ("plover",)
    assert timetable.due(NOW).names == ("heron", "plover")


def test_late_counts_what_began_much_later_than_meant() -> None:
    timetable = table(heron=5)
    assert timetable.due(NOW).late == 0
    ask(timetable, NOW)
    assert timetable.due(NOW + 5 * MINUTE).late in (0, 1)
    assert timetable.due(NOW + timedelta(minutes=11)).late == 1


def test_new_settings_keep_what_is_known_of_machines_that_stay() -> None:
    timetable = table(heron=5, plover=5)
    ask(timetable, NOW)
    timetable.set_intervals({"heron": 5 * MINUTE, "avocet": 5 * MINUTE})
    assert timetable.due(NOW).names == ("avocet",)
    timetable.asked("plover", "same", NOW)  # one that has gone since is no fault
    assert timetable.shortest() == 5 * MINUTE
