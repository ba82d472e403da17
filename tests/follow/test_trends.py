"""Trend: against the published example, scipy and pymannkendall, and on what no trend can be told from."""

import numpy as np
import pymannkendall
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from farmwatch.follow.trends import mann_kendall_factor, mann_kendall_s, tie_corrected_variance, trend


def test_sulfate_example(published):
    # US EPA, Unified Guidance (2009), Example 17-6, p. 17-33: Mann-Kendall with ties, Theil-Sen line, interval after
    # Gilbert (1987), uneven dates.
    example = published("epa_ug_ex_17_6_sulfate")
    date, sulfate = np.array(example["date"]), np.array(example["sulfate_ppm"])
    (told,) = trend(date, sulfate, correlation=0.0)
    wanted = example["published"]
    assert told.s == wanted["S"]
    assert told.sd_s == pytest.approx(wanted["sd_S"], abs=5e-3)
    assert told.z == pytest.approx(wanted["z"], abs=5e-7)
    assert told.p == pytest.approx(wanted["p_two_sided"], rel=1e-6)
    assert told.slope == pytest.approx(wanted["theil_sen_slope"], abs=5e-8)
    assert told.level == pytest.approx(wanted["intercept"], abs=5e-7)
    assert (told.low, told.high) == pytest.approx(wanted["slope_ci95_gilbert"], abs=5e-6)
    pairs = date.size * (date.size - 1) / 2
    assert told.s / pairs == pytest.approx(wanted["tau"], abs=5e-8)


@settings(max_examples=50, deadline=None)
@given(st.integers(0, 10_000), st.integers(6, 120), st.booleans())
def test_slope_equals_scipy_and_test_equals_pymannkendall(seed, n, rounded):
    rng = np.random.default_rng(seed)
    t = np.cumsum(rng.uniform(0.1, 3.0, n))
    y = rng.normal(size=n) + 0.01 * t
    y = np.round(y, 1) if rounded else y
    (told,) = trend(t, y, correlation=0.0)
    theirs = stats.theilslopes(y, t)
    assert told.slope == pytest.approx(theirs[0], abs=1e-12)
    # scipy rounds the ranks where Gilbert interpolates: two order statistics apart at most.
    slopes = np.sort(((y[:, None] - y) / np.where(t[:, None] == t, np.inf, t[:, None] - t))[np.tril_indices(n, -1)])
    for end, other in ((told.low, theirs[2]), (told.high, theirs[3])):
        first, past = np.searchsorted(slopes, [other - 1e-12, other + 1e-12])  # ties, many where heights are rounded
        assert slopes[max(first - 2, 0)] - 1e-12 <= end <= slopes[min(past + 1, slopes.size - 1)] + 1e-12
    original = pymannkendall.original_test(y)
    assert told.s == original.s
    assert told.sd_s**2 == pytest.approx(original.var_s, rel=1e-12)
    assert told.z == pytest.approx(original.z, abs=1e-12)
    assert told.p == pytest.approx(original.p, abs=1e-12)


def test_autocorrelation_widens_as_hamed_and_rao_say():
    # Hamed & Rao (1998), eq. 17, term by term, with the rank correlations of an AR(1).
    n, phi = 30, 0.4
    total = sum(
        (n - k) * (n - k - 1) * (n - k - 2) * 6 / np.pi * np.arcsin(phi**k / 2) for k in range(1, n)
    )  # fmt: skip
    assert mann_kendall_factor(n, phi) == pytest.approx(1 + 2 * total / (n * (n - 1) * (n - 2)), rel=1e-12)
    assert mann_kendall_factor(n, 0.0) == 1.0


def test_the_variance_is_that_of_simulated_autocorrelated_series():
    rng = np.random.default_rng(5)
    n, phi, many = 40, 0.5, 1500
    noise = rng.normal(size=(many, n))
    for i in range(1, n):
        noise[:, i] = phi * noise[:, i - 1] + np.sqrt(1 - phi**2) * noise[:, i]
    s = [mann_kendall_s(np.arange(n), row) for row in noise]
    wanted = tie_corrected_variance(np.arange(n)) * mann_kendall_factor(n, phi)
    assert np.var(s) == pytest.approx(wanted, rel=0.12)


def test_long_series_take_a_part_of_the_pairs_and_all_of_s():
    rng = np.random.default_rng(2)
    t = np.cumsum(rng.exponential(1.0, 700))
    y = 0.002 * t + rng.normal(size=700)
    (told,) = trend(t, y, correlation=0.0)
    theirs = stats.theilslopes(y, t)
    assert told.s == pymannkendall.original_test(y).s
    assert abs(told.slope - theirs[0]) < 0.1 * (theirs[3] - theirs[2])
    assert told.low < theirs[0] < told.high
    assert (told.high - told.low) == pytest.approx(theirs[3] - theirs[2], rel=0.1)


def test_readings_at_one_time_give_no_slope_between_them():
    t = np.array([0.0, 1.0, 1.0, 2.0, 3.0])
    (told,) = trend(t, t * 2.0, correlation=0.0)
    assert told.slope == pytest.approx(2.0)
    assert told.s == 9.0


@pytest.mark.parametrize("days", [[], [1.0], [1.0, 2.0], [3.0, 3.0, 3.0, 3.0]])
def test_nothing_can_be_told_from_two_readings_or_one_time(days):
    assert trend(days, np.arange(len(days), dtype=float)) == ()


def test_all_identical_is_a_slope_of_nil_and_no_trend():
    (told,) = trend(np.arange(20.0), np.full(20, 0.13))
    assert (told.slope, told.low, told.high, told.z, told.p) == (0.0, 0.0, 0.0, 0.0, 1.0)
    assert not told.significant


def test_shapes_that_do_not_fit_are_refused():
    with pytest.raises(ValueError, match="do not fit"):
        trend([1.0, 2.0, 3.0], [1.0, 2.0])
    with pytest.raises(ValueError, match="finite"):
        trend([1.0, 2.0, 3.0], [1.0, np.nan, 2.0])


@pytest.mark.parametrize(("places", "s", "significant"), [(7, 31, False), (6, 33, True)])
def test_a_trend_is_significant_under_five_in_a_thousand(places, s, significant):
    """Ten rising readings, the largest moved forward: Kendall (1975), sd of S is sqrt(n (n - 1)(2 n + 5) / 18) = 11.18,
    so that p is 0.0073 at S = 31 and 0.0042 at S = 33.
    """
    y = np.arange(9.0)
    y = np.insert(y, 9 - places, 9.0)
    (told,) = trend(np.arange(10.0), y, correlation=0.0)
    assert told.s == s
    assert told.p == pytest.approx(2 * stats.norm.sf((s - 1) / np.sqrt(125.0)), rel=1e-9)
    assert told.significant is significant
