"""Forecast: crossings against brute force, draws against the theory, and what a quantile past the horizon is."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from farmwatch.follow.forecasts import draw_lines, first_crossing, forecast, of_crossings
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
    found = first_crossing(level, slope, form, SHARES, 0.2, 182.0)
    days = np.arange(0.0, 182.0001, 0.25)
    for k in range(20):
        meshes = (level[k] + days[:, None] * slope[k]) @ SHARES + form
        past = np.flatnonzero(np.ptp(meshes, axis=1) > 0.2)
        if not past.size:
            assert found[k] > 181.9
        elif past[0] == 0:
            assert found[k] == 0.0
        else:
            assert days[past[0] - 1] - 1e-6 <= found[k] <= days[past[0]] + 1e-6


def test_draws_have_the_spread_that_the_line_leaves_open():
    rng = np.random.default_rng(1)
    coefficients = np.array([[1.0, 2.0], [0.1, -0.2]])
    cofactor = np.diag([1 / 30, 1 / 9000])
    noise = np.array([[4.0, 1.0], [1.0, 9.0]]) * 1e-2
    level, slope = draw_lines(coefficients, cofactor, noise, 40.0, 10.0, rng, 40_000)
    # Variance of t with 40 degrees of freedom, and the calibration of the spread.
    stretch = 40 / 38 * 0.97**2
    assert level.mean(axis=0) == pytest.approx([2.0, 0.0], abs=2e-3)
    assert slope.mean(axis=0) == pytest.approx([0.1, -0.2], abs=1e-4)
    assert np.cov(level.T) == pytest.approx(noise * (1 / 30 + 100 / 9000) * stretch, rel=0.06)
    assert np.cov(slope.T) == pytest.approx(noise / 9000 * stretch, rel=0.06)
    together = np.cov(level[:, 0], slope[:, 0])[0, 1]
    assert together == pytest.approx(noise[0, 0] * 10 / 9000 * stretch, rel=0.06)


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
