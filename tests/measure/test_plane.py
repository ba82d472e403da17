import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from farmwatch.measure import least_squares_plane
from farmwatch.measure.plane import least_squares


def _sd(fit):
    return np.sqrt(np.diag(fit.covariance))


def _certified(reference, name, fit, digits):
    published = reference.facts(name)["published"]
    assert_allclose(fit.coefficients, published["beta"], rtol=10.0**-digits)
    if published["residual_sd"]:
        assert_allclose(_sd(fit), published["sd_beta"], rtol=10.0**-digits)
        assert_allclose(fit.sigma, published["residual_sd"], rtol=10.0**-digits)
    else:
        assert fit.sigma < 1e-8
        assert (_sd(fit) < 1e-8).all()


def test_norris_as_certified(reference):
    """NIST Statistical Reference Datasets (StRD), linear regression, Norris: certified values."""
    data = reference.numbers("strd_norris")
    design = np.column_stack([np.ones(len(data["x"])), data["x"]])
    _certified(reference, "strd_norris", least_squares(design, data["y"]), 12)


@pytest.mark.parametrize("name", ["strd_noint1", "strd_noint2"])
def test_line_through_origin_as_certified(reference, name):
    """NIST StRD, linear regression, NoInt1 and NoInt2: certified values."""
    data = reference.numbers(name)
    _certified(reference, name, least_squares(data["x"][:, None], data["y"]), 13)


@pytest.mark.parametrize(("number", "digits"), [(1, 10), (2, 10), (3, 9), (4, 7), (5, 5)])
def test_wampler_as_certified(reference, number, digits):
    """NIST StRD, linear regression, Wampler1-5 (R. H. Wampler, JASA 65, 1970): polynomials of degree five.

    The noise of Wampler5 is 2·10⁷ times its coefficients: that many digits of theirs are lost in the data.
    """
    name = f"strd_wampler{number}"
    data = reference.numbers(name)
    _certified(reference, name, least_squares(np.vander(data["x"], 6, increasing=True), data["y"]), digits)


def test_longley_as_certified(reference):
    """NIST StRD, linear regression, Longley: certified values."""
    data = reference.numbers("strd_longley")
    names = reference.facts("strd_longley")["predictors"]
    design = np.column_stack([np.ones(16), *(data[name.lower()] for name in names)])
    _certified(reference, "strd_longley", least_squares(design, data["totemp"]), 9)


def test_thermometer_with_uncertainty_and_correlation(reference):
    """JCGM 100:2008 (GUM), H.3, Tables H.6 and results H.3.3-H.3.4."""
    facts = reference.facts("gum_h3_thermometer")
    published = facts["published"]
    at = np.array(facts["t_k"]) - facts["t0"]
    fit = least_squares(np.column_stack([np.ones(at.size), at]), facts["b_k"])
    (y1, y2), (s1, s2) = fit.coefficients, _sd(fit)
    assert round(y1, 4) == published["y1"]
    assert round(y2, 5) == published["y2"]
    assert round(s1, 4) == published["s_y1"]
    assert round(s2, 5) == published["s_y2"]
    assert round(fit.covariance[0, 1] / (s1 * s2), 3) == published["r"]
    assert round(float(fit.sigma), 4) == published["s"]
    assert_allclose((fit.residuals**2).sum(), published["residual_sum_of_squares"], rtol=1e-11)
    ten = np.array([1.0, 10.0])
    assert round(float(ten @ fit.coefficients), 4) == published["b_30"]
    assert round(float(np.sqrt(ten @ fit.covariance @ ten)), 4) == published["u_b_30"]


def test_day_to_day_spread_of_a_check_standard(reference):
    """NIST/SEMATECH e-Handbook 2.6.2, check standard 137: level-2 standard deviation (24 df) and grand mean."""
    data = reference.numbers("nist_check_standard_137")
    published = reference.facts("nist_check_standard_137")["published"]
    averages = least_squares(np.ones((25, 1)), data["average_ohm_cm"])
    assert round(float(averages.sigma), 4) == published["level2_sd"]
    assert round(float(averages.coefficients[0]), 2) == published["grand_mean"]


def test_repeatability_of_a_check_standard(reference):
    """NIST/SEMATECH e-Handbook 2.6.2, check standard 137: level-1 (pooled) standard deviation, 125 df.

    The book prints each day's mean and sd of six values; six values with just that mean and sd stand in for them.
    """
    data = reference.numbers("nist_check_standard_137")
    pattern = np.array([-5.0, -3.0, -1.0, 1.0, 3.0, 5.0])
    pattern /= pattern.std(ddof=1)
    values = data["average_ohm_cm"][:, None] + data["short_term_sd"][:, None] * pattern
    days = np.kron(np.eye(25), np.ones((6, 1)))
    fit = least_squares(days, values.ravel())
    assert round(float(fit.sigma), 5) == reference.facts("nist_check_standard_137")["published"]["level1_sd"]


def test_volcano_plane(reference):
    """R. Ihaka's volcano (R datasets), 61 x 87 at 10 m; plane recomputed in exact and in independent arithmetic."""
    z = reference.grid("volcano_61x87")
    facts = reference.facts("volcano_61x87")["recomputed"]
    x, y = 10.0 * np.arange(z.shape[1]), 10.0 * np.arange(z.shape[0])
    plane = least_squares_plane(x, y, z[None])
    assert_allclose(plane.bx[0], facts["ls_plane_slope_x_per_m"], rtol=1e-11)
    assert_allclose(plane.by[0], facts["ls_plane_slope_y_per_m"], rtol=1e-11)
    origin = plane.a[0] - plane.bx[0] * plane.x0 - plane.by[0] * plane.y0
    assert_allclose(origin, facts["ls_plane_intercept"], rtol=1e-12)
    assert_allclose(np.ptp(plane.residuals), facts["ls_flatness_vertical"], rtol=1e-12)


finite = st.floats(-1.0, 1.0, allow_nan=False, width=32)


@settings(max_examples=60, deadline=None)
@given(
    rows=st.integers(3, 7),
    columns=st.integers(3, 7),
    tilt=st.tuples(finite, finite, finite),
    seed=st.integers(0, 2**32 - 1),
    missing=st.booleans(),
)
def test_adding_a_plane_changes_the_plane_and_nothing_else(rows, columns, tilt, seed, missing):
    rng = np.random.default_rng(seed)
    x, y = np.cumsum(rng.uniform(5, 60, columns)), np.cumsum(rng.uniform(5, 60, rows))
    z = rng.normal(0, 0.1, (4, rows, columns))
    if missing:
        z[1, 0, 0] = z[2, -1, 1] = np.nan
    a, bx, by = tilt[0], tilt[1] * 1e-2, tilt[2] * 1e-2
    before = least_squares_plane(x, y, z)
    after = least_squares_plane(x, y, z + a + bx * x + by * y[:, None])
    assert_allclose(after.residuals, before.residuals, atol=1e-12)
    assert_allclose(after.bx - before.bx, bx, atol=1e-13)
    assert_allclose(after.by - before.by, by, atol=1e-13)
    assert_allclose(after.a - before.a, a + bx * before.x0 + by * before.y0, atol=1e-12)


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), share=st.floats(0, 0.4))
def test_a_stack_is_the_same_as_one_by_one(seed, share):
    """The slow, obvious way: numpy's lstsq, one reading at a time, the missing points left out."""
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(0, 300, 25), rng.uniform(0, 200, 25)
    z = rng.normal(0, 1, (6, 25))
    z[rng.random(z.shape) < share] = np.nan
    stack = least_squares_plane(x, y, z)
    for i, heights in enumerate(z):
        here = np.isfinite(heights)
        if here.sum() < 4:
            continue
        design = np.column_stack([np.ones(here.sum()), x[here] - stack.x0, y[here] - stack.y0])
        slow, squares, _, _ = np.linalg.lstsq(design, heights[here], rcond=None)
        assert_allclose([stack.a[i], stack.bx[i], stack.by[i]], slow, atol=1e-10)
        assert_allclose(stack.sigma[i] ** 2 * (here.sum() - 3), squares[0], atol=1e-10)
        assert_allclose(stack.cofactor[i], np.linalg.inv(design.T @ design), rtol=1e-7, atol=1e-12)
        assert np.array_equal(np.isnan(stack.residuals[i]), ~here)


def test_covariance_is_that_of_many_repeats(rng):
    x, y = np.meshgrid(np.linspace(0, 200, 5), np.linspace(0, 150, 4))
    x, y = x.ravel(), y.ravel()
    plane = least_squares_plane(x, y, 0.02 * rng.standard_normal((20_000, 20)))
    seen = np.cov(np.stack([plane.a, plane.bx * 100, plane.by * 100]))
    said = plane.covariance_for(0.02)[0] * np.outer([1, 100, 100], [1, 100, 100])
    assert_allclose(seen, said, rtol=0.05, atol=0.05 * said.diagonal().min())
    assert_allclose((plane.sigma**2).mean(), 0.02**2, rtol=0.02)


def test_one_reading_gives_single_numbers():
    plane = least_squares_plane([0, 1, 0, 1], [0, 0, 1, 1], [1.0, 2.0, 4.0, 5.0])
    assert float(plane.bx) == pytest.approx(1.0)
    assert float(plane.by) == pytest.approx(3.0)
    assert plane.at([10.0], [0.0]) == pytest.approx([11.0])
    assert plane.residuals.shape == (4,)
    assert plane.covariance.shape == (3, 3)


def test_points_in_a_line_or_none_give_no_plane():
    z = np.array([[1.0, 2.0, 4.0, 1.0], [1.0, 2.0, 3.0, np.nan], [np.nan] * 4])
    plane = least_squares_plane([0, 1, 2, 0], [0, 1, 2, 5], z)
    assert np.isfinite(plane.bx).tolist() == [True, False, False]
    assert np.isnan(plane.residuals[1:]).all()


def test_two_points_give_no_plane():
    assert np.isnan(least_squares_plane([0, 1], [0, 5], [1.0, 2.0]).bx)


def test_three_points_leave_no_freedom():
    plane = least_squares_plane([0, 1, 0], [0, 0, 1], [1.0, 2.0, 4.0])
    assert np.isnan(plane.sigma)
    assert_allclose(plane.residuals, 0, atol=1e-15)


@pytest.mark.parametrize(
    ("x", "y", "z"),
    [
        ([0, 1, 2], [0, 1], [1, 2, 3]),
        ([0, 1, 2], [0, 1, 0], [[1, 2]]),
        ([0, 1, 2], [0, 1, 0], np.zeros((1, 2, 3))),
        ([[0, 1]], [0, 1], [1, 2]),
        ([0, 1, np.nan], [0, 1, 0], [1, 2, 3]),
    ],
)
def test_shapes_that_do_not_fit_are_refused(x, y, z):
    with pytest.raises(ValueError):
        least_squares_plane(x, y, z)


def test_a_design_that_does_not_fit_is_refused():
    with pytest.raises(ValueError, match="does not fit"):
        least_squares(np.ones((3, 2)), [1.0, 2.0])
