"""Numbers, days and names as they are written."""

import unicodedata
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from farmwatch.text import MINUS, ago, clock, count, day, day_of, joined, mm, percent, sanitize, signed


@pytest.mark.parametrize(
    ("value", "text"),
    [(0.793, "0.793"), (-0.4, f"{MINUS}0.400"), (-0.0, "0.000"), (-0.0004, "0.000"), (2.8126, "2.813")],
)
def test_a_length_has_three_decimals_and_a_true_minus(value: float, text: str):
    assert mm(value) == text


@pytest.mark.parametrize(
    ("value", "text"), [(0.2, "+0.200"), (-0.2, f"{MINUS}0.200"), (0.0, "0.000"), (0.0001, "0.000")]
)
def test_a_change_shows_its_sign(value: float, text: str):
    assert signed(value) == text


@pytest.mark.parametrize(
    ("chance", "text"),
    [
        (1.0, "over 99 %"),
        (0.996, "over 99 %"),
        (0.99, "99 %"),
        (0.014, "1 %"),
        (0.004, "under 1 %"),
        (0.0, "under 1 %"),
    ],
)
def test_a_chance_is_never_a_certainty(chance: float, text: str):
    assert percent(chance) == text


def test_days_and_times_are_the_farm_s():
    summer = datetime(2026, 7, 1, 23, 30, tzinfo=UTC)
    assert day(date(2026, 11, 23)) == "Mon 23 Nov 2026"
    assert day_of(summer, ZoneInfo("Europe/Dublin")) == "Thu 2 Jul 2026"
    assert clock(summer, ZoneInfo("Europe/Dublin")) == "Thu 2 Jul 2026, 00:30"
    assert day_of(summer, ZoneInfo("Europe/Dublin"), year=False) == "Thu 2 Jul"


@pytest.mark.parametrize(
    ("hours", "text"),
    [
        (0.2, "within the hour"),
        (3, "3 hours ago"),
        (47, "47 hours ago"),
        (96, "4 days ago"),
        (24 * 70, "10 weeks ago"),
        (-5, "within the hour"),
    ],
)
def test_an_age_is_said_in_the_unit_that_tells(hours: float, text: str):
    at = datetime(2026, 11, 23, tzinfo=UTC)
    assert ago(at - timedelta(hours=hours), at) == text


def test_names_are_joined_and_the_long_tail_is_counted():
    assert joined([]) == ""
    assert joined(["a"]) == "a"
    assert joined(["a", "b", "c"]) == "a, b and c"
    assert joined(list("abcdef"), 4) == "a, b, c and 3 more"
    assert count(1, "machine") == "1 machine"
    assert count(1200, "tooth", "teeth") == "1,200 teeth"


def test_text_that_steers_a_screen_is_shown_as_a_mark():
    assert sanitize("a\x1b[31mb") == "a\ufffd[31mb"
    assert sanitize("a\u202eb\u2028c\ud800d") == "a\ufffdb\ufffdc\ufffdd"
    assert sanitize("Häuser 7 µm") == "Häuser 7 µm"


@settings(max_examples=100, deadline=None)
@given(st.text())
def test_any_text_becomes_utf_8_without_controls(text: str):
    shown = sanitize(text)
    shown.encode("utf-8")
    assert not {"Cc", "Cs", "Cf", "Zl", "Zp"} & {unicodedata.category(letter) for letter in shown}
