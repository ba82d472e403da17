import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from farmwatch.measure import influence, least_squares_plane, screw_heights

TWO = np.array([(20.0, 100.0), (180.0, 100.0)])
THREE = np.array([(0.0, 0.0), (200.0, 0.0), (100.0, 200.0)])
FOUR = np.array([(0.0, 0.0), (200.0, 0.0), (200.0, 180.0), (0.0, 180.0)])
place = st.floats(-300, 300, width=32)


def some_points(rng, n=30):
    return rng.uniform(0, 200, n), rng.uniform(0, 200, n)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(place, place), min_size=3, max_size=3), st.integers(0, 2**32 - 1))
def test_three_screws_are_barycentric(corners, seed):
    screws = np.array(corners)
    (ax, ay), (bx, by) = screws[1] - screws[0], screws[2] - screws[0]
    area = ax * by - ay * bx
    assume(abs(area) > 100)
    x, y = some_points(np.random.default_rng(seed))
    L = influence(screws, 0, x, y)
    dx, dy = x - screws[0, 0], y - screws[0, 1]
    # Areas of the sub-triangles over the whole (A. F. Moebius, Der barycentrische Calcul, 1827).
    second, third = (dx * by - dy * bx) / area, (ax * dy - ay * dx) / area
    assert_allclose(L, [1 - second - third, second, third], atol=1e-6, rtol=1e-6)


@pytest.mark.parametrize("screws", [TWO, THREE])
def test_one_at_its_screw_and_none_at_the_others(screws):
    assert_allclose(influence(screws, 1, *screws.T), np.eye(len(screws)), atol=1e-12)


@pytest.mark.parametrize("screws", [TWO, THREE, FOUR, np.vstack([FOUR, (100.0, 250.0)])])
def test_raising_all_screws_alike_raises_the_bed(rng, screws):
    assert_allclose(influence(screws, 0, *some_points(rng)).sum(axis=0), 1.0, atol=1e-12)


def test_two_screws_know_nothing_across_their_line(rng):
    x, y = some_points(rng)
    assert_allclose(influence(TWO, 0, x, y)[1], (x - 20) / 160, atol=1e-12)


def test_four_screws_are_the_rigid_bed_that_fits_best(rng):
    """Against numpy's lstsq of the raised screw heights, one screw at a time."""
    x, y = some_points(rng)
    L = influence(FOUR, 0, x, y)
    design = np.column_stack([np.ones(4), FOUR])
    for i, one in enumerate(np.eye(4)):
        plane = np.linalg.lstsq(design, one, rcond=None)[0]
        assert_allclose(L[i], np.column_stack([np.ones(30), x, y]) @ plane, atol=1e-12)


@settings(max_examples=50, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), k=st.sampled_from([2, 3, 4]))
def test_raising_the_screws_moves_the_heights_so(seed, k):
    """The use of L: after z + Σ d_i·L_i the plane stands higher at each screw by the rigid part of d."""
    rng = np.random.default_rng(seed)
    screws = {2: TWO, 3: THREE, 4: FOUR}[k]
    x, y = some_points(rng)
    z, d = rng.normal(0, 0.1, 30), rng.normal(0, 1, k)
    L = influence(screws, 0, x, y)
    before, after = (screw_heights(least_squares_plane(x, y, h), screws, 0) for h in (z, z + d @ L))
    rigid = influence(screws, 0, *screws.T).T @ d
    assert_allclose(after.height - before.height, rigid, atol=1e-10)
    # On four screws most moves bend the bed; what is left of the plane they make is no one's.
    assert (np.abs(rigid - d).max() > 1e-9) == (k == 4)


def test_heights_are_the_plane_at_the_screws():
    x, y = (part.ravel() for part in np.meshgrid(np.linspace(10, 190, 4), np.linspace(10, 190, 4)))
    z = np.stack([0.5 + 0.001 * x - 0.002 * y, 0.1 + 0 * x])
    held = screw_heights(least_squares_plane(x, y, z), THREE, 1)
    assert_allclose(held.height, [[0.5, 0.7, 0.2], [0.1] * 3], atol=1e-12)
    assert_allclose(held.relative, [[-0.2, 0, -0.5], [0] * 3], atol=1e-12)
    assert_allclose(held.not_adjustable, 0)


def test_two_screws_tell_their_own_tilt_from_the_rest():
    x, y = (part.ravel() for part in np.meshgrid(np.linspace(10, 190, 4), np.linspace(10, 190, 4)))
    held = screw_heights(least_squares_plane(x, y, 0.001 * x - 0.002 * y), TWO, 0)
    assert_allclose(held.relative, [0, 0.16], atol=1e-12)
    assert held.not_adjustable == pytest.approx(-0.002)


@pytest.mark.parametrize("screws", [TWO, THREE, FOUR])
def test_covariance_is_that_of_many_repeats(rng, screws):
    x, y = (part.ravel() for part in np.meshgrid(np.linspace(0, 200, 5), np.linspace(0, 200, 5)))
    z = 0.02 * rng.standard_normal((20_000, 25))
    held = screw_heights(least_squares_plane(x, y, z), screws, 0, sigma=0.02)
    seen = np.cov(held.relative.T)
    assert_allclose(seen, held.covariance[0], atol=0.05 * held.covariance[0].max())
    assert_allclose(held.sd[0], held.relative.std(axis=0), rtol=0.03, atol=1e-12)
    assert (held.covariance[:, 0] == 0).all()


@pytest.mark.parametrize(
    "screws",
    [[(0, 0)], [(0, 0), (0, 0)], [(0, 0), (1, 1), (2, 2)], [(0, 0), (1, np.nan)], [0.0, 1.0], np.zeros((2, 3))],
)
def test_screws_that_hold_no_bed_are_refused(screws):
    with pytest.raises(ValueError):
        influence(screws, 0, [0.0], [0.0])


def test_a_reference_that_is_no_screw_is_refused():
    with pytest.raises(ValueError, match="reference"):
        influence(THREE, 3, [0.0], [0.0])
