"""Times as people type them."""

from contextlib import suppress
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from farmwatch.cli.app import read_day, read_moment
from farmwatch.errors import InputError
from farmwatch.text import clock

DUBLIN = ZoneInfo("Europe/Dublin")


@pytest.mark.parametrize(
    ("text", "utc"),
    [
        ("2026-11-23T06:00:00Z", (2026, 11, 23, 6, 0, 0)),
        ("2026-11-23t06:00:00z", (2026, 11, 23, 6, 0, 0)),
        ("2026-11-23 06:00:00.25+02:00", (2026, 11, 23, 4, 0, 0, 250_000)),
        ("2026-11-23T06:00-05:30", (2026, 11, 23, 11, 30)),
        ("2026-11-23 06:00", (2026, 11, 23, 6, 0)),
        ("2026-07-23 06:00", (2026, 7, 23, 5, 0)),
        (" 2026-07-23T06:00:30 ", (2026, 7, 23, 5, 0, 30)),
        ("2026-10-25T01:30:00+01:00", (2026, 10, 25, 0, 30)),
        ("2026-10-25T01:30:00+00:00", (2026, 10, 25, 1, 30)),
    ],
)
def test_rfc_3339_and_farm_time(text, utc):
    assert read_moment(text, DUBLIN) == datetime(*utc, tzinfo=UTC)
    assert read_moment(text, DUBLIN).tzinfo is UTC


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("2026-10-25 01:30", r"came twice in Europe/Dublin.*01:30\+01:00 or 2026-10-25 01:30\+00:00"),
        ("2026-03-29 01:30", "does not exist in Europe/Dublin"),
        ("2026-11-23", "is a day; wanted a time too"),
        ("23.11.2026 06:00", "is no time"),
        ("11/12/2026", "is no time"),
        ("2026-11-23 6:00", "is no time"),
        ("2026-13-01 06:00", "month must be in 1..12"),
        ("2026-02-30 06:00", "day"),
        ("2026-11-23 06:00:60", "second"),
        ("20261123T060000Z", "is no time"),
        ("1764000000", "is no time"),
        ("now", "is no time"),
        ("", "is no time"),
        ("２０２６-11-23 06:00", "is no time"),
    ],
)
def test_what_is_no_time_or_could_be_two_is_refused(text, says):
    with pytest.raises(InputError, match=says):
        read_moment(text, DUBLIN)


def test_a_day_is_its_first_moment_on_the_farm():
    assert read_day("2026-07-01", DUBLIN) == datetime(2026, 6, 30, 23, 0, tzinfo=UTC)
    assert read_day("2026-07-01 12:00", DUBLIN) == datetime(2026, 7, 1, 11, 0, tzinfo=UTC)


@settings(max_examples=100, deadline=None)
@given(
    st.datetimes(datetime(2020, 1, 1), datetime(2035, 1, 1)),  # noqa: DTZ001  the farm's own clock
    st.sampled_from(["Europe/Dublin", "America/New_York", "Australia/Lord_Howe", "Asia/Kolkata", "UTC"]),
)
def test_farm_time_comes_back_as_it_was_typed_or_is_refused(moment, zone):
    text = moment.strftime("%Y-%m-%d %H:%M")
    try:
        found = read_moment(text, ZoneInfo(zone))
    except InputError:
        offsets = {moment.replace(tzinfo=ZoneInfo(zone), fold=fold).utcoffset() for fold in (0, 1)}
        assert len(offsets) == 2
    else:
        assert found.astimezone(ZoneInfo(zone)).strftime("%Y-%m-%d %H:%M") == text


@settings(max_examples=100, deadline=None)
@given(st.text(max_size=40))
def test_any_text_is_a_time_or_a_fault(text):
    with suppress(InputError):
        assert read_moment(text, DUBLIN).tzinfo is UTC


@pytest.mark.parametrize("hours", [0, 12, 24 * 40, 24 * 150])
def test_a_time_copied_from_a_screen_is_understood(hours):
    moment = datetime(2026, 11, 23, 6, 0, tzinfo=UTC) + timedelta(hours=hours)
    assert read_moment(clock(moment, DUBLIN), DUBLIN) == moment
    assert read_moment(clock(moment, DUBLIN).partition(" ")[2].replace(",", ""), DUBLIN) == moment


@pytest.mark.parametrize("text", ["Mon 23 Nvo 2026, 06:00", "31 Feb 2026, 06:00", "23 Nov 2026"])
def test_what_only_looks_like_one_is_no_time(text):
    with pytest.raises(InputError, match="is no time"):
        read_moment(text, DUBLIN)
