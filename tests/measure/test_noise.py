import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from farmwatch.measure import influence, least_squares_plane, simulated_range_sd
from farmwatch.measure.form import spread
from farmwatch.measure.noise import GUESSED_SIGMA_MM, PointNoise, point_noise, range_noise

X, Y = np.linspace(0, 200, 5), np.linspace(0, 200, 5)
SCREWS = [(0.0, 0.0), (200.0, 0.0), (100.0, 200.0)]


def forms(rng, n, sigma, side=5, bow=0.2):
    axis = np.linspace(0, 200, side)
    z = bow * ((axis - 100) / 100) ** 2 + sigma * rng.standard_normal((n, side, side))
    return least_squares_plane(axis, axis, z).residuals


def test_range_of_noise_has_the_published_mean(reference, rng):
    """L. H. C. Tippett, Biometrika 17 (1925): d2, mean range of n standard normal values; control-chart tables."""
    for row in reference.table("range_constants_d2_d3"):
        n = int(row["n"])
        if n in (9, 16, 25, 50, 100):
            ranges = spread(rng.standard_normal((40_000, n)))
            # Five standard errors of the mean of 40,000 ranges.
            assert ranges.mean() == pytest.approx(float(row["recomputed_d2"]), abs=5 * 0.81 / 200)


def test_simulated_range_has_the_published_spread(reference, rng):
    """d3, standard deviation of the range of n standard normal values; control-chart tables."""
    for row in reference.table("range_constants_d2_d3"):
        n = int(row["n"])
        if n in (9, 16, 25, 50, 100):
            sd = simulated_range_sd(np.zeros(n), 0.02, np.zeros((3, n)), np.zeros((3, 3)), rng, draws=20_000)
            assert sd == pytest.approx(0.02 * float(row["recomputed_d3"]), rel=0.03)


def test_the_same_rng_gives_the_same_answer():
    L = influence(SCREWS, 0, *(part.ravel() for part in np.meshgrid(X, Y)))
    covariance = np.diag([0.0, 1e-4, 2e-4])
    z = np.zeros((5, 5))
    first, second = (simulated_range_sd(z, 0.01, L, covariance, np.random.default_rng(7)) for _ in range(2))
    assert first == second
    assert first != simulated_range_sd(z, 0.01, L, covariance, np.random.default_rng(8))


def test_a_range_across_a_tilt_strays_with_the_screws():
    """On a bed tilted along x by far more than its noise the range is the rise: its sd is known in closed form."""
    xx, yy = (part.ravel() for part in np.meshgrid(X, Y))
    L = influence(SCREWS[:2], 0, xx, yy)
    sd = simulated_range_sd(0.01 * xx, 0.0, L, np.diag([0.0, 0.03**2]), np.random.default_rng(1), draws=4000)
    assert sd == pytest.approx(0.03, rel=0.05)
    without = simulated_range_sd(0.01 * xx, 0.01, L, np.zeros((2, 2)), np.random.default_rng(1), draws=4000)
    assert without < 0.03 / 2


@pytest.mark.parametrize("side", [3, 5, 7])
def test_point_noise_is_unbiased_on_small_grids(rng, side):
    """Without √(N/(N − 3)) a 3 × 3 grid would say 18 % too little."""
    found = point_noise([forms(rng, 3000, 0.012, side)])
    assert found.source == "own"
    assert found.pairs == 2999
    tolerance = 0.05 if side == 3 else 0.02
    assert found.sigma_mm == pytest.approx(0.012, rel=tolerance)


def test_point_noise_does_not_mind_a_new_plate_or_a_missing_point(rng):
    e = forms(rng, 60, 0.01)
    e[30:] += 0.2 * np.outer(X - 100, Y - 100) / 1e4
    e[::7, 0, 0] = np.nan
    assert point_noise([e]).sigma_mm == pytest.approx(0.01, rel=0.1)


def test_few_pairs_take_the_model_and_nothing_takes_a_guess(rng):
    short = [forms(rng, 3, 0.02)]
    assert point_noise(short, 0.02) == point_noise([forms(rng, 3, 0.5)], 0.02)
    assert point_noise(short, 0.02) == PointNoise(0.02, 2, "pooled")
    assert point_noise(short).sigma_mm == GUESSED_SIGMA_MM
    assert point_noise(short).source == "guess"
    assert point_noise([]).pairs == 0


def test_pairs_do_not_reach_across_grids(rng):
    found = point_noise([forms(rng, 3, 0.01, 5), forms(rng, 2, 0.01, 7), forms(rng, 1, 0.01, 4)])
    assert found.pairs == 3
    assert found.source == "own"


def test_range_noise_needs_six_pairs(rng):
    assert range_noise(np.arange(6.0)) is None
    assert range_noise([0.1] * 7) == 0.0
    ranges = 0.2 + 0.004 * rng.standard_normal(4000)
    ranges[2000:] += 1.0
    assert range_noise(ranges) == pytest.approx(0.004, rel=0.06)
    assert range_noise(np.r_[ranges, np.nan]) == range_noise(ranges)


@settings(max_examples=50, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), factor=st.floats(0.01, 100))
def test_scaling_scales(seed, factor):
    e = forms(np.random.default_rng(seed), 8, 0.01)
    assert_allclose(point_noise([factor * e]).sigma_mm, factor * point_noise([e]).sigma_mm, rtol=1e-9)
    ranges = spread(e.reshape(8, -1))
    assert_allclose(range_noise(factor * ranges), factor * range_noise(ranges), rtol=1e-9)
