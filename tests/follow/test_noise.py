"""Noise of the screw heights: learned past steps, drift and strays."""

import numpy as np
import pytest

from farmwatch.demo import correlated
from farmwatch.follow.noise import bias_corrected, inflation, lone_readings, reading_covariance

FLOOR = np.eye(2)[None] * 0.0005**2


def covariance_of(u):
    return reading_covariance(u[None], np.ones((1, len(u) - 1), dtype=bool), FLOOR)[0]


def test_covariance_past_drift_steps_and_strays():
    rng = np.random.default_rng(1)
    wanted = np.array([[64.0, 20.0], [20.0, 36.0]]) * 1e-6
    u = rng.multivariate_normal([0, 0], wanted, 2000)
    u += np.linspace(0, 0.2, 2000)[:, None]
    u[700:] += 0.4
    u[rng.choice(2000, 20, replace=False)] += 0.3
    assert covariance_of(u) == pytest.approx(wanted, rel=0.12)


def test_autocorrelation_is_put_right_by_the_inflation():
    # Differences see (1 - phi) of the variance; means of n readings stray by (1 + phi) / (1 - phi) of it over n.
    rng = np.random.default_rng(2)
    u = 0.008 * correlated(4000, 2, 0.5, rng)
    assert np.diag(covariance_of(u)) == pytest.approx(0.008**2 * 0.5, rel=0.12)
    assert inflation(np.array([0.5]))[0] == pytest.approx(1.5 / 0.5 / 0.5)


def test_identical_readings_have_the_noise_of_the_floor():
    assert covariance_of(np.full((10, 2), 0.3)) == pytest.approx(FLOOR[0])


def test_bias_of_the_correlation_is_taken_off():
    rng = np.random.default_rng(3)
    n, many = 30, 2000
    t = np.arange(n) - (n - 1) / 2
    for phi in (0.2, 0.5):
        noise = correlated(n, many, phi, rng)
        r = noise - noise.mean(axis=0) - t[:, None] * (t @ noise) / (t @ t)
        products, squares = (r[1:] * r[:-1]).sum(axis=0), (r * r).sum(axis=0)
        pooled = bias_corrected(
            np.array([products.sum()]), np.array([squares.sum()]), np.array([n]), np.array([1])
        )  # fmt: skip
        assert pooled[0] == pytest.approx(phi, abs=0.05)


@pytest.mark.parametrize(
    ("where", "alone"),
    [([10], [10]), ([10, 11], [10, 11]), ([10, 11, 12], []), ([19], [19]), ([18, 19], [18, 19]), ([17, 18, 19], [])],
)
def test_one_or_two_stand_alone_three_do_not(where, alone):
    rng = np.random.default_rng(4)
    u = rng.normal(0.0, 0.008, (20, 2))
    u[where] += 0.3
    found = lone_readings(u[None], np.array([20]), np.eye(2)[None] * 0.008**2)
    assert np.flatnonzero(found[0]).tolist() == alone


def test_the_edge_of_a_step_is_not_alone():
    rng = np.random.default_rng(5)
    u = rng.normal(0.0, 0.008, (40, 2))
    u[20:] += 0.4
    assert not lone_readings(u[None], np.array([40]), np.eye(2)[None] * 0.008**2).any()
