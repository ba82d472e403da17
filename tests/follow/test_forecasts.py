"""Forecast: crossings against brute force, draws against the theory, and what a quantile past the horizon is."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from farmwatch.follow.forecasts import crossings_of, forecast, of_crossings, origin_of
from farmwatch.follow.paths import KNOTS, draw_paths, path_crossings
from farmwatch.follow.priors import PRIOR, DriftPrior
from farmwatch.measure import grid_points, influence

X = np.linspace(10.0, 210.0, 5)
SCREWS = [[20.0, 10.0], [200.0, 10.0], [110.0, 215.0]]
SHARES = influence(SCREWS, 2, *grid_points(X, X))[:2]


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10_000))
def test_first_crossing_equals_walking_the_days(seed):
    rng = np.random.default_rng(seed)
    level, slope = rng.normal(0, 0.06, (20, 2)), rng.normal(0, 0.002, (20, 2))
    form = rng.normal(0, 0.02, 25)
    found = path_crossings(level[:, None] + slope[:, None] * KNOTS[:, None], form, SHARES, 0.2)
    days = np.arange(0.0, 182.0001, 0.25)
    for k in range(20):
        meshes = (level[k] + days[:, None] * slope[k]) @ SHARES + form
        past = np.flatnonzero(np.ptp(meshes, axis=1) > 0.2)
        if not past.size:
            assert found[k] > 181.9
        elif past[0] == 0:
            assert found[k] == 0.0
        else:
            # Between knots the range, which is convex, is taken for a line: early by no more than a share of a knot.
            gap = np.diff(KNOTS)[np.searchsorted(KNOTS, days[past[0]]) - 1]
            assert days[past[0] - 1] - 0.5 * gap <= found[k] <= days[past[0]] + 0.25


def _only(row):
    """A prior of one model alone."""
    return DriftPrior(PRIOR.sizes[row : row + 1], np.ones(1))


def test_a_line_of_any_slope_is_drawn_as_least_squares_tells_it():
    """Against the posterior of a straight line without prior knowledge (Gelman et al. 2013, 14.2), noise known."""
    rng = np.random.default_rng(1)
    t = np.arange(-23.0, 1.0)
    u = 0.002 * t[:, None] * [1.0, -1.0] + rng.normal(0, 0.003, (24, 2))
    flat = DriftPrior(np.array([[10.0, *([0.0] * 8), 1.0]]), np.ones(1))
    path = draw_paths(t, u, np.diag([9e-6, 9e-6]), 1e9, rng, 20_000, flat)
    design = np.column_stack([np.ones(24), t])
    cofactor = np.linalg.inv(design.T @ design)
    ahead = np.column_stack([np.ones(KNOTS.size), KNOTS])
    assert path.mean(axis=0) == pytest.approx(ahead @ cofactor @ design.T @ u, abs=2e-4)
    sd = 0.003 * np.sqrt(np.einsum("ki,ij,kj->k", ahead, cofactor, ahead))
    assert path.std(axis=0) == pytest.approx(np.repeat(sd[:, None], 2, axis=1), rel=0.03)


@pytest.mark.parametrize(("row", "variance"), [(5, lambda w: 0.010**2 * w), (6, lambda w: 0.020**2 * w)])
def test_a_walk_strays_with_the_root_of_time(row, variance):
    rng = np.random.default_rng(2)
    t = np.arange(-40.0, 1.0)
    path = draw_paths(t, np.zeros((41, 1)), np.array([[1e-10]]), 1e9, rng, 20_000, _only(row))
    away = path[:, KNOTS == 182.0, 0][:, 0] - path[:, 0, 0]
    # The slope of 0.001 mm a week that goes with it is hardly known from a walk.
    slope = 0.001**2 * 26.0**2
    assert variance(26.0) * 0.95 <= away.var() <= (variance(26.0) + slope) * 1.05


def test_few_readings_are_drawn_towards_rest_and_many_are_not():
    rng = np.random.default_rng(3)
    noise = np.eye(2) * 0.008**2
    told = []
    for n, rate in ((8, 0.002), (150, 0.002)):
        t = np.linspace(-20.0 if n == 8 else -150.0, 0.0, n)
        u = rate * t[:, None] * [1.0, 0.0] + rng.normal(0, 0.008, (n, 2))
        path = draw_paths(t, u, noise, 2.0 * n - 4.0, rng, 2000)
        told.append(float(np.median((path[:, -1, 0] - path[:, 0, 0]) / KNOTS[-1])))
    assert told[0] < 0.6 * 0.002
    assert told[1] == pytest.approx(0.002, rel=0.06)


def test_a_swing_is_told_from_a_drift_once_a_year_is_there():
    rng = np.random.default_rng(4)
    t = np.linspace(-365.0, 0.0, 120)
    swing = 0.05 * np.sin(2.0 * np.pi * t / 365.25)
    u = swing[:, None] * [1.0, 0.0] + rng.normal(0, 0.008, (120, 2))
    path = draw_paths(t, u, np.eye(2) * 0.008**2, 200.0, rng, 2000)
    true = 0.05 * np.sin(2.0 * np.pi * KNOTS / 365.25)
    assert np.median(path[:, :, 0], axis=0) == pytest.approx(true, abs=0.012)


def test_a_draw_that_never_crosses_counts_as_later_than_the_horizon():
    days = np.array([10.0] * 20 + [50.0] * 40 + [np.inf] * 40)
    told = of_crossings(days)
    assert (told.chance, told.p10, told.p50, told.p90) == (0.6, 10.0, 50.0, None)


def test_a_steady_drift_crosses_when_it_must():
    rng = np.random.default_rng(2)
    t = np.arange(60.0)
    u = np.column_stack([0.001 * t, np.zeros(60)]) + rng.normal(0, 1e-5, (60, 2))
    told = forecast(t, u, np.zeros(25), SHARES, 0.2, 59.0, rng)
    days = np.arange(0.0, 300.0, 0.1)
    true = days[np.ptp(0.001 * days[:, None] * SHARES[0], axis=1) > 0.2][0] - 59.0
    assert told is not None
    assert told.chance == 1.0
    assert told.p50 == pytest.approx(true, abs=1.0)


def test_past_the_limit_now_is_nil_days():
    t = np.arange(30.0)
    told = forecast(t, np.full((30, 2), [0.5, 0.0]), np.zeros(25), SHARES, 0.2, 30.0, np.random.default_rng(1))
    assert told is not None
    assert (told.chance, told.p10, told.p50, told.p90) == (1.0, 0.0, 0.0, 0.0)


@pytest.mark.parametrize("days", [np.arange(5.0) * 10, np.arange(20.0) * 0.5])
def test_nothing_is_promised_from_too_little(days):
    u = np.zeros((days.size, 2))
    assert forecast(days, u, np.zeros(25), SHARES, 0.2, 100.0, np.random.default_rng(1)) is None


@pytest.mark.parametrize(
    ("readings", "days", "told"), [(6, 14.0, True), (5, 140.0, False), (6, 13.9, False), (60, 13.9, False)]
)
def test_six_readings_over_two_weeks_are_enough(readings, days, told):
    t, rng = np.linspace(0.0, days, readings), np.random.default_rng(4)
    u = rng.normal(0, 0.008, (readings, 2))
    assert (forecast(t, u, np.zeros(25), SHARES, 0.2, days, rng) is not None) == told


def test_the_same_generator_gives_the_same_forecast():
    t, rng = np.arange(30.0), np.random.default_rng(3)
    u = rng.normal(0, 0.008, (30, 2))
    told = [forecast(t, u, np.zeros(25), SHARES, 0.1, 30.0, np.random.default_rng(9)) for _ in range(2)]
    assert told[0] == told[1]


def test_shapes_that_do_not_fit_are_refused():
    with pytest.raises(ValueError, match="heights"):
        forecast(np.arange(9.0), np.zeros((9, 3)), np.zeros(25), SHARES, 0.2, 9.0, np.random.default_rng(1))


def test_a_forecast_made_earlier_goes_on_as_time_passes():
    origin = datetime(2026, 11, 1, tzinfo=UTC)
    told = crossings_of(np.array([3.0] * 20 + [60.0] * 40 + [190.0] * 20 + [np.inf] * 20), origin)
    assert told.forecast(origin) == of_crossings(np.array([3.0] * 20 + [60.0] * 40 + [np.inf] * 40))
    later = told.forecast(origin + timedelta(days=10))
    assert (later.chance, later.p10, later.p50, later.p75, later.p90) == (0.8, 0.0, 50.0, 180.0, None)


def test_paths_are_drawn_as_of_the_newest_reading_and_of_every_28_days_after_it():
    newest, day = 1_000_000.0, 86400.0
    assert origin_of(newest, newest + 27.9 * day) == newest
    assert origin_of(newest, newest + 28.0 * day) == newest + 28 * day
    assert origin_of(newest, newest + 60.0 * day) == newest + 56 * day
