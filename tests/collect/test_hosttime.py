"""Why a host's time is not taken, in few words."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from farmwatch.collect.hosttime import believable, host_time, why_not_believed

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


def test_a_time_written_day_first_is_read_by_its_format() -> None:
    dublin = ZoneInfo("Europe/Dublin")
    assert host_time("03.07.2026 06:58:02", dublin, "%d.%m.%Y %H:%M:%S") == datetime(2026, 7, 3, 5, 58, 2, tzinfo=UTC)
    assert host_time("7/3/2026 06:58", dublin, "%m/%d/%Y %H:%M") == datetime(2026, 7, 3, 5, 58, tzinfo=UTC)
    assert host_time("03.07.2026 06:58 +0200", None, "%d.%m.%Y %H:%M %z") == datetime(2026, 7, 3, 4, 58, tzinfo=UTC)
    assert host_time(1_764_000_000_000, None, "%d.%m.%Y %H:%M") == datetime(2025, 11, 24, 16, 0, tzinfo=UTC)
    with pytest.raises(ValueError, match="has no offset"):
        host_time("03.07.2026 06:58", None, "%d.%m.%Y %H:%M")
    for wrong in ("2026-07-03T06:58:00Z", "31.02.2026 06:58", "", "taken_at_zone"):
        with pytest.raises(ValueError, match="cannot be read"):
            host_time(wrong, dublin, "%d.%m.%Y %H:%M")
