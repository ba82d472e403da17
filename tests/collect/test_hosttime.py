"""Why a host's time is not taken, in few words."""

from datetime import UTC, datetime, timedelta

import pytest

from farmwatch.collect.hosttime import believable, why_not_believed

NOW = datetime(2026, 11, 23, 6, 0, tzinfo=UTC)


@pytest.mark.parametrize(
    ("ahead", "words"),
    [
        (timedelta(minutes=6), "its time lies 6 min ahead"),
        (timedelta(minutes=72), "its time lies 1.2 h ahead"),
        (timedelta(days=9), "its time lies 9 days ahead"),
        (timedelta(days=-15_000), "its time is of 1985, a clock never set"),
    ],
)
def test_a_time_that_is_not_taken_is_told_of(ahead: timedelta, words: str) -> None:
    assert not believable(NOW + ahead, NOW)
    assert why_not_believed(NOW + ahead, NOW) == f"{words}: counted from when it was seen"


@pytest.mark.parametrize("ahead", [timedelta(minutes=5), timedelta(0), timedelta(days=-900)])
def test_a_time_that_is_taken_is_passed_over(ahead: timedelta) -> None:
    assert why_not_believed(NOW + ahead, NOW) == ""
