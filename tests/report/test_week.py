"""Weeks: ISO 8601, in the farm's zone."""

from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from farmwatch.errors import InputError
from farmwatch.report.week import Week, week_just_ended

DUBLIN = ZoneInfo("Europe/Dublin")


def test_a_week_runs_from_monday_to_sunday():
    week = Week.read("2026-W47")
    assert (week.monday, week.sunday) == (date(2026, 11, 16), date(2026, 11, 22))
    assert str(week) == "2026-W47"


@pytest.mark.parametrize(
    ("day", "week"),
    [
        # ISO 8601-1:2019, 3.1.1.23 and 4.2.2: week 1 holds the year's first Thursday. The dates are the usual worked
        # cases of that rule.
        (date(2005, 1, 1), "2004-W53"),
        (date(2007, 1, 1), "2007-W01"),
        (date(2008, 12, 29), "2009-W01"),
        (date(2010, 1, 3), "2009-W53"),
    ],
)
def test_the_year_of_a_week_is_that_of_its_thursday(day: date, week: str):
    assert str(Week.holding(day)) == week


@pytest.mark.parametrize(
    "text", ["2026-47", "2026-W54", "2025-W53", "2026-W00", "W47", "", "2026-W47x", "0000-W01", "9999-W52", "٢٠٢٦-W47"]
)
def test_what_is_no_week_is_refused_with_what_is_wanted(text: str):
    with pytest.raises(InputError, match="2026-W47"):
        Week.read(text)


@pytest.mark.parametrize(
    ("at", "week"),
    [
        (datetime(2026, 11, 23, 6, 0, tzinfo=UTC), "2026-W47"),
        (datetime(2026, 11, 23, 0, 0, tzinfo=UTC), "2026-W47"),
        (datetime(2026, 11, 22, 23, 59, tzinfo=UTC), "2026-W46"),
        (datetime(2026, 11, 29, 12, 0, tzinfo=UTC), "2026-W47"),
        # In July the farm is an hour ahead: its Monday begins on Sunday, 23:00 UTC.
        (datetime(2026, 7, 12, 23, 0, tzinfo=UTC), "2026-W28"),
        (datetime(2026, 7, 12, 22, 59, tzinfo=UTC), "2026-W27"),
    ],
)
def test_the_week_just_ended_follows_the_farm_clock(at: datetime, week: str):
    assert str(week_just_ended(at, DUBLIN)) == week


def test_a_week_with_a_clock_change_is_an_hour_longer():
    week = Week.read("2026-W43")
    assert (week.end(DUBLIN) - week.start(DUBLIN)).total_seconds() == (7 * 24 + 1) * 3600


@settings(max_examples=80, deadline=None)
@given(st.dates(date(1990, 1, 1), date(2200, 1, 1)))
def test_weeks_follow_each_other_without_a_gap(day: date):
    week = Week.holding(day)
    assert week.monday <= day <= week.sunday
    assert week.next().previous() == week
    assert week.end(DUBLIN) == week.next().start(DUBLIN)
    assert Week.read(str(week)) == week
