"""Rates drawn towards each other: against a published analysis, and in the limits where the answer is known."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from farmwatch.company.pooling import pool

# Failures of ten pumps and the time each was watched, 1,000 h: D. P. Gaver & I. G. O'Muircheartaigh, Robust empirical
# Bayes analyses of event rates, Technometrics 29 (1987) 1-15, table 1.
PUMPS = (
    (5, 94.3), (1, 15.7), (5, 62.9), (14, 125.8), (3, 5.24), (19, 31.4), (1, 1.048), (1, 1.048), (4, 2.096),
    (22, 10.48),
)  # fmt: skip
# Posterior means with shape ~ Exp(1), rate ~ Gamma(0.1, 1): E. I. George, U. E. Makov & A. F. M. Smith, Conjugate
# likelihood distributions, Scand. J. Statist. 20 (1993) 147-156; as the examples of the BUGS manual give them
# (both tables from memory; the simulation there is good to about one in the second decimal).
MEANS = (0.060, 0.102, 0.089, 0.116, 0.60, 0.61, 0.89, 0.89, 1.58, 1.99)


def as_published(log_mean, log_shape):
    shape = np.exp(log_shape)
    rate = shape / np.exp(log_mean)
    # The density of shape and rate, times the Jacobian: shape x rate.
    return -shape - 0.9 * np.log(rate) - rate + np.log(shape) + np.log(rate)


def test_ten_pumps_as_published():
    pooled = pool([y for y, _ in PUMPS], [t for _, t in PUMPS], as_published)
    assert [rate.mean for rate in pooled.sites] == pytest.approx(MEANS, rel=0.03)


def test_a_long_record_keeps_its_own_rate_and_a_short_one_takes_the_others():
    pooled = pool([400, 100, 1], [40_000.0, 10_000.0, 5.0])
    assert pooled.sites[0].mean == pytest.approx(0.01, rel=0.02)
    assert pooled.sites[2].mean < 0.05 < 1 / 5
    assert pooled.sites[0].high - pooled.sites[0].low < 0.3 * (pooled.sites[2].high - pooled.sites[2].low)
    assert pooled.new.low < pooled.sites[0].low < pooled.sites[0].high < pooled.new.high


def test_a_site_that_begins_with_the_companys_figures_learns_its_own():
    pooled = pool([30, 42, 25], [3000.0, 4000.0, 2600.0])
    assert pooled.after(0, 0.0) == pytest.approx(0.01, rel=0.15)
    assert 0.02 < pooled.after(50, 1000.0) < 0.05
    assert pooled.after(5000, 100_000.0) == pytest.approx(0.05, rel=0.02)


def test_nothing_watched_says_nothing():
    assert pool([], []) is None
    assert pool([0, 0], [0.0, 0.0]) is None
    with pytest.raises(ValueError, match="one length"):
        pool([1], [1.0, 2.0])


def test_the_interval_holds_the_true_rate_of_a_new_site():
    rng = np.random.default_rng(7)
    held = 0
    for _ in range(20):
        rates = rng.gamma(6.0, 0.01 / 6.0, 7)
        days = rng.uniform(500, 20_000, 6)
        pooled = pool(rng.poisson(rates[:6] * days), days)
        held += pooled.new.low <= rates[6] <= pooled.new.high
    # 80 % of 20 is 16, with a standard deviation of 1.8.
    assert 12 <= held <= 20


@settings(max_examples=8, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 300), st.floats(1.0, 1e5)), min_size=1, max_size=5))
def test_every_rate_lies_within_its_interval(sites):
    pooled = pool([y for y, _ in sites], [t for _, t in sites])
    for rate in (*pooled.sites, pooled.new):
        assert 0 < rate.low < rate.high
        assert np.isfinite([rate.mean, rate.low, rate.high]).all()
    assert pooled.shape > 0
    assert pooled.exposure > 0
