"""What is coming: the share that has crossed by a day, the machines due, the number to expect."""

from datetime import timedelta
from types import ModuleType
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from farmwatch.follow import Forecast
from farmwatch.report.upcoming import due_machines, share_crossed, weeks_ahead

DUBLIN = ZoneInfo("Europe/Dublin")
LATE = st.one_of(st.none(), st.floats(0, 182))


def test_the_share_is_the_quantile_s_own_where_one_is_known():
    forecast = Forecast(chance=0.95, p10=11, p50=19, p90=34)
    assert [share_crossed(forecast, d) for d in (0, 11, 19, 34, 182)] == pytest.approx([0, 0.1, 0.5, 0.9, 0.95])
    assert share_crossed(forecast, 15) == pytest.approx(0.3), "half way between two quantiles"


def test_a_quantile_beyond_the_horizon_leaves_the_chance_at_its_end():
    never = Forecast(chance=0.0, p10=None, p50=None, p90=None)
    some = Forecast(chance=0.3, p10=70, p50=None, p90=None)
    assert share_crossed(never, 182) == 0.0
    assert share_crossed(some, 182) == pytest.approx(0.3)
    assert share_crossed(some, 126) == pytest.approx(0.2)


def test_what_is_past_today_counts_at_once():
    assert share_crossed(Forecast(chance=1.0, p10=0, p50=0, p90=20), 0) == pytest.approx(0.5)


@settings(max_examples=100, deadline=None)
@given(st.lists(st.floats(0, 182), min_size=3, max_size=3), st.integers(0, 3), st.floats(0, 1))
def test_the_share_never_falls_and_ends_at_the_chance(days: list[float], known: int, extra: float):
    p = [*sorted(days)[:known], None, None, None][:3]
    least = (0.0, 0.1, 0.5, 0.9)[known]
    most = (0.1, 0.5, 0.9, 1.0)[known]
    forecast = Forecast(chance=least + extra * (most - least), p10=p[0], p50=p[1], p90=p[2])
    shares = [share_crossed(forecast, day) for day in range(0, 190, 3)]
    assert shares == sorted(shares)
    assert shares[-1] == pytest.approx(forecast.chance)


def test_the_expected_numbers_add_up_to_the_shares_of_twelve_weeks(invented: ModuleType):
    machines = invented.invented_fleet().machines
    weeks = weeks_ahead(machines, invented.WEEK_END, DUBLIN)
    forecasts = [m.forecast for m in machines if m.forecast is not None]
    assert [w.name for w in weeks[:2]] == ["W48", "W49"]
    assert weeks[-1].name == "W06", "over the turn of the year"
    assert sum(w.expected for w in weeks) == pytest.approx(sum(share_crossed(f, 84) for f in forecasts))


def test_without_a_forecast_nothing_is_expected(invented: ModuleType):
    assert weeks_ahead([invented.machine("heron-01", invented.bed())], invented.WEEK_END, DUBLIN) == ()


def test_due_machines_come_in_the_order_of_their_day(invented: ModuleType):
    fleet = invented.invented_fleet()
    due = due_machines(fleet.machines, fleet.at, DUBLIN)
    assert [d.machine for d in due] == ["plover-02", "heron-05"]
    assert due[0].day == "Fri 4 Dec"
    assert due[0].between == "Sun 29 Nov to Mon 14 Dec"
    assert due[0].drift == "front left −0.011 mm a week"
    assert due[0].history is not None


def test_a_late_end_that_is_not_known_is_said(invented: ModuleType):
    machine = invented.due("heron-05", invented.bed((0.08, 0.03)), (3, 20, None))
    (due,) = due_machines([machine], invented.WEEK_END, DUBLIN)
    assert due.between == "Thu 26 Nov to later than 182 days"


def test_the_day_is_the_farm_s_over_a_clock_change(invented: ModuleType):
    at = invented.WEEK_END.replace(month=10, day=24, hour=23, minute=30)
    machine = invented.due("heron-05", invented.bed((0.08, 0.03)), (1, 1, 2), at)
    assert due_machines([machine], at, DUBLIN)[0].day == "Sun 25 Oct"
    assert (at + timedelta(days=1)).astimezone(DUBLIN).day == 25
