"""When reports and the night's work are due, across outages and both changes of the clocks."""

from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from farmwatch.config import Farm
from farmwatch.config.settings import WeeklyTime
from farmwatch.report import Week
from farmwatch.service.calendar import is_done, newest_night, newest_week, next_report_at, report_moment

MINUTE = timedelta(minutes=1)


def farm(zone: str = "Europe/Dublin", weekday: int = 0, hour: int = 6, minute: int = 0) -> Farm:
    return Farm(
        name="Saltmarsh Tidegate Works",
        timezone=ZoneInfo(zone),
        database=Path("/nowhere/farm.duckdb"),
        reports=Path("/nowhere"),
        report_at=WeeklyTime(weekday=weekday, hour=hour, minute=minute),
    )


def fired(which: Farm, start: datetime, end: datetime, step: timedelta = MINUTE) -> list[tuple[Week, datetime]]:
    """Weeks as they fall due for the first time, looked at every `step`."""
    seen: list[tuple[Week, datetime]] = []
    now = start
    while now < end:
        week, _ = newest_week(which, now)
        if week not in [one for one, _ in seen]:
            seen.append((week, now))
        now += step
    return seen


def test_the_report_of_a_week_is_due_on_the_monday_after_it() -> None:
    at = datetime(2026, 11, 23, 6, 0, tzinfo=UTC)
    assert newest_week(farm(), at) == (Week(2026, 47), at)
    assert newest_week(farm(), at - MINUTE)[0] == Week(2026, 46)
    assert next_report_at(farm(), at) == datetime(2026, 11, 30, 6, 0, tzinfo=UTC)


def test_a_report_late_in_the_week_is_still_of_the_week_before() -> None:
    friday = farm(weekday=4, hour=17)
    at = datetime(2026, 11, 27, 17, 0, tzinfo=UTC)
    assert newest_week(friday, at) == (Week(2026, 47), at)
    assert newest_week(friday, at - MINUTE)[0] == Week(2026, 46)


# The clocks of the European Union change on the last Sundays of March and October at 01:00 UTC, those of the United
# States on the second Sunday of March and the first of November at 02:00 local time (EU directive 2000/84/EC, article
# 2 and 3; 15 U.S.C. 260a).
@pytest.mark.parametrize(
    ("zone", "at", "expected"),
    [
        ("Europe/Berlin", "02:30", "2026-10-25T00:30"),  # comes twice: the first
        ("Europe/Berlin", "02:30", "2026-03-29T01:30"),  # is left out: 03:30 in its place
        ("America/New_York", "01:30", "2026-11-01T05:30"),
        ("America/New_York", "02:30", "2026-03-08T07:30"),
        ("Australia/Lord_Howe", "02:30", "2026-10-03T15:30"),  # where half an hour is left out: the first moment after
    ],
)
def test_on_the_days_the_clocks_change_it_fires_once(zone: str, at: str, expected: str) -> None:
    which = farm(zone, weekday=6, hour=int(at[:2]), minute=int(at[3:]))
    moment = datetime.fromisoformat(f"{expected}+00:00")
    seen = fired(which, moment - timedelta(days=2), moment + timedelta(days=2))
    assert len(seen) == 2  # the week before was due already
    assert seen[1][1] == moment


def test_a_year_of_mondays_has_a_report_each_at_six_farm_time() -> None:
    start = datetime(2026, 1, 1, tzinfo=UTC)
    seen = fired(farm(), start, start + timedelta(days=364), timedelta(minutes=30))[1:]
    assert len(seen) == 52
    assert {at.astimezone(ZoneInfo("Europe/Dublin")).strftime("%a %H:%M") for _, at in seen} == {"Mon 06:00"}


def test_after_an_outage_only_the_newest_week_is_due() -> None:
    assert newest_week(farm(), datetime(2026, 11, 26, 12, 0, tzinfo=UTC))[0] == Week(2026, 47)


def test_the_night_is_due_once_a_date_across_both_changes() -> None:
    for middle in (datetime(2026, 3, 29, tzinfo=UTC), datetime(2026, 10, 25, tzinfo=UTC)):
        nights = []
        now = middle - timedelta(days=1, hours=12)
        while now < middle + timedelta(days=1, hours=12):
            night, moment = newest_night(farm("Europe/Berlin"), now)
            assert moment <= now
            if night not in nights:
                nights.append(night)
            now += MINUTE
        assert nights == sorted(nights)
        assert len(nights) == 4


def test_a_run_of_a_wrong_clock_does_not_count() -> None:
    now = datetime(2026, 11, 23, 6, 0, tzinfo=UTC)
    assert is_done(now - timedelta(days=400), now)
    assert is_done(now + timedelta(hours=1), now)  # the clock was set back since
    assert not is_done(now + timedelta(days=1), now)
    assert not is_done(None, now)


def test_the_moment_of_a_week_is_after_its_end() -> None:
    for number in range(1, 53):
        week = Week(2026, number)
        assert report_moment(farm(hour=0), week) == week.end(ZoneInfo("Europe/Dublin"))


# Half and three-quarter hours, with and without changes of the clocks; week 53 of 2026, and the leap day of 2028.
@pytest.mark.parametrize(
    "zone",
    [
        "Europe/Dublin", "America/St_Johns", "Asia/Kolkata", "Asia/Kathmandu", "Australia/Eucla", "Australia/Lord_Howe",
        "Pacific/Chatham", "UTC",
    ],
)  # fmt: skip
def test_fifteen_months_have_each_week_and_each_night_once_in_every_zone(zone: str) -> None:
    which, there = farm(zone), ZoneInfo(zone)
    start, end = datetime(2026, 12, 5, tzinfo=UTC), datetime(2028, 3, 4, tzinfo=UTC)
    weeks: list[tuple[Week, datetime]] = []
    nights: list[date] = []
    now = start
    while now < end:
        week, _ = newest_week(which, now)
        if not weeks or week != weeks[-1][0]:
            weeks.append((week, now))
        night, moment = newest_night(which, now)
        assert timedelta(0) <= now - moment < timedelta(hours=25)
        if not nights or night != nights[-1]:
            nights.append(night)
        now += 15 * MINUTE
    assert len(nights) == len(set(nights)) == (nights[-1] - nights[0]).days + 1
    assert date(2028, 2, 29) in nights
    found = [week for week, _ in weeks]
    assert len(set(found)) == len(found)
    assert all(before.next() == after for before, after in pairwise(found))
    assert Week(2026, 53) in found
    assert {at.astimezone(there).strftime("%a %H:%M") for _, at in weeks[1:]} == {"Mon 06:00"}


def test_the_last_days_of_a_year_belong_to_their_iso_week() -> None:
    # ISO 8601: 2026 begins on a Thursday, so it has 53 weeks; the first days of 2027 are of the last of them.
    assert Week.holding(date(2027, 1, 3)) == Week(2026, 53)
    assert Week(2026, 53).next() == Week(2027, 1)
    assert newest_week(farm(), datetime(2027, 1, 4, 6, 0, tzinfo=UTC))[0] == Week(2026, 53)
    assert report_moment(farm(weekday=1, hour=0), Week(2028, 8)) == datetime(2028, 2, 29, tzinfo=UTC)
