from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy.optimize import linprog

from farmwatch.measure import flatness, least_squares_plane, minimum_zone_plane
from farmwatch.measure import minimum_zone as module
from farmwatch.measure.minimum_zone import minimum_zone_along


def by_linear_programme(terms, z):
    """The slow, obvious way: least h with −h ≤ z − terms·b ≤ h, by scipy's HiGHS; the width is what b leaves."""
    one = np.ones((len(z), 1))
    answer = linprog(
        [0.0] * terms.shape[1] + [1.0],
        A_ub=np.block([[-terms, -one], [terms, -one]]),
        b_ub=np.concatenate([-z, z]),
        bounds=[(None, None)] * (terms.shape[1] + 1),
        method="highs",
        options={"primal_feasibility_tolerance": 1e-10, "dual_feasibility_tolerance": 1e-10},
    )
    return np.ptp(z - terms @ answer.x[:-1])


def terms_of(*columns):
    return np.column_stack([np.ones(len(columns[0])), *((c - c.mean()) / np.ptp(c) for c in columns)])


@pytest.mark.parametrize("name", ["saddle", "pyramid", "tri31", "one_corner_3x3"])
def test_exact_cases(reference, name):
    """Exact arithmetic: two high against two low (saddle), three against one (pyramid, triangle), one raised corner."""
    case = reference.facts("analytic_flatness_cases")[name]
    x, y, z = np.array(case["points"], dtype=float).T
    mz = case.get("exact_mz") or 3 / 4
    ls = case.get("exact_ls") or 5 / 6
    assert minimum_zone_plane(x, y, z).width == pytest.approx(mz, abs=1e-14)
    both = flatness(x, y, z)
    assert both.ls == pytest.approx(ls, abs=1e-14)
    assert both.mz == pytest.approx(mz, abs=1e-14)


def test_three_function_fit(reference):
    """I. Barrodale & C. Phillips, Algorithm 495, ACM TOMS 1 (1975): Chebyshev fit of K·exp t + L·exp −t + M, as printed
    (to four decimals) in the example of a numerical library's manual; data and results there from memory.
    """
    facts = reference.facts("chebyshev_three_function_fit")
    t = np.array(facts["t"])
    zone = minimum_zone_plane(np.exp(t), np.exp(-t), facts["y"])
    k, el, m = facts["published"]["linf_solution"]
    assert round(float(zone.bx), 4) == k
    assert round(float(zone.by), 4) == el
    assert round(float(zone.a - zone.bx * zone.x0 - zone.by * zone.y0), 4) == m
    assert round(float(zone.width) / 2, 3) == facts["published"]["linf_resmax"]
    assert zone.width == pytest.approx(facts["recomputed"]["minimum_zone_width_vertical"], abs=1e-13)


def test_surface_plate(reference):
    """J. C. Moody, How to Calibrate Surface Plates in the Plant, The Tool Engineer, Oct 1955, Table 1 and Fig. 6.

    Published: all points lie between planes 0.00018 in apart. Not published, recomputed by an independent
    linear programme and by hand (two chords that cross at (36, 24)): 175.37 and 163.67 microinch.
    """
    rows = reference.table("moody_1955_surface_plate")
    x, y, high = (np.array([float(r[k]) for r in rows]) for k in ("x_in", "y_in", "recomputed_height_microinch"))
    assert (
        round(np.ptp(high) * 1e-6, 5)
        == reference.facts("moody_1955_surface_plate")["published"]["overall_flatness_inch"]
    )
    found = flatness(x, y, high)
    assert round(float(found.ls), 2) == 175.37
    assert round(float(found.mz), 2) == 163.67
    assert found.mz == pytest.approx((153.201 + 178.411) / 2 - (0 + 4.266) / 2, abs=1e-3)
    touching = {(x[i], y[i]) for i in minimum_zone_plane(x, y, high).touching}
    assert touching == {(36.0, 44.0), (36.0, 4.0), (68.0, 28.0), (4.0, 20.0)}


def test_volcano(reference):
    """R. Ihaka's volcano (R datasets): minimum zone recomputed by an independent linear programme."""
    z = reference.grid("volcano_61x87")
    facts = reference.facts("volcano_61x87")["recomputed"]
    x, y = 10.0 * np.arange(z.shape[1]), 10.0 * np.arange(z.shape[0])
    found = flatness(x, y, z[None])
    assert_allclose(found.mz[0], facts["mz_flatness_vertical"], rtol=1e-12)
    assert_allclose(found.ls[0], facts["ls_flatness_vertical"], rtol=1e-12)
    assert_allclose(found.rms[0], facts["rms_residual"], rtol=1e-12)


grids = st.fixed_dictionaries({
    "rows": st.integers(3, 8),
    "columns": st.integers(3, 8),
    "seed": st.integers(0, 2**32 - 1),
    "digits": st.sampled_from([1, 2, 3, 12]),
    "missing": st.sampled_from([0.0, 0.15]),
})  # fmt: skip


def stack_of(rows, columns, seed, digits, missing):
    """Heights rounded as hosts round them: ties and points in a line are what is hard for the exchange."""
    rng = np.random.default_rng(seed)
    x, y = np.linspace(10, 210, columns), np.cumsum(rng.uniform(5, 40, rows))
    z = rng.normal(0, 0.2, (5, rows, columns)) + 1e-3 * x - 2e-3 * y[:, None]
    z = np.round(z, digits)
    gone = rng.random(z.shape) < missing
    gone[:, :2, :2] = False
    z[gone] = np.nan
    return x, y, z


@settings(max_examples=40, deadline=None)
@given(grids)
def test_equals_the_linear_programme(grid):
    x, y, z = stack_of(**grid)
    zone, along = minimum_zone_plane(x, y, z), minimum_zone_along(x, y, z, (3.0, 1.0))
    xx, yy = np.meshgrid(x, y)
    for i, heights in enumerate(z):
        here = np.isfinite(heights)
        px, py, pz = xx[here], yy[here], heights[here]
        assert zone.width[i] == pytest.approx(by_linear_programme(terms_of(px, py), pz), abs=1e-9)
        assert along.width[i] == pytest.approx(by_linear_programme(terms_of(3 * px + py), pz), abs=1e-9)
        assert along.bx[i] == pytest.approx(3 * along.by[i], abs=1e-12)
        # The plane that is handed back is the one that leaves this width, and lies midway.
        rest = pz - zone.a[i] - zone.bx[i] * (px - zone.x0) - zone.by[i] * (py - zone.y0)
        assert rest.max() == pytest.approx(zone.width[i] / 2, abs=1e-12)
        assert rest.min() == pytest.approx(-zone.width[i] / 2, abs=1e-12)


@settings(max_examples=60, deadline=None)
@given(grids)
def test_every_answer_proves_itself(grid):
    """Duality: a weighting of the touching points alone shows that no plane does better."""
    x, y, z = stack_of(**grid)
    zone = minimum_zone_plane(x, y, z)
    xx, yy = (part.ravel() for part in np.meshgrid(x, y))
    for i, heights in enumerate(z.reshape(len(z), -1)):
        assert (zone.touching[i] >= 0).all()
        four = zone.touching[i]
        weights = np.linalg.svd(np.stack([np.ones(4), (xx[four] - 100) / 100, (yy[four] - 100) / 100]))[2][-1]
        weights = weights / np.abs(weights).sum() * 2
        assert abs(weights @ heights[four]) == pytest.approx(zone.width[i], abs=1e-10)


def test_never_asks_the_solver_on_ordinary_grids(rng, monkeypatch):
    def refuse(*_):
        raise AssertionError("the exchange left a reading open")

    monkeypatch.setattr(module, "_linear_programme", refuse)
    x = np.linspace(0, 220, 7)
    z = rng.normal(0, 0.1, (2000, 7, 7))
    z[::2] = z[::2].round(2)
    z[::5] = z[::5].round(1)
    assert np.isfinite(minimum_zone_plane(x, x, z).width).all()
    assert np.isfinite(minimum_zone_along(x, x, z, (0.0, 1.0)).width).all()


def test_the_solver_answers_where_the_exchange_does_not(rng, monkeypatch):
    x = np.linspace(0, 220, 5)
    z = rng.normal(0, 0.1, (20, 5, 5))
    z[3, 0, 0] = np.nan
    exact = minimum_zone_plane(x, x, z)
    monkeypatch.setattr(module, "_ROUNDS", 0)
    asked = minimum_zone_plane(x, x, z)
    assert (asked.touching == -1).all()
    assert_allclose(asked.width, exact.width, atol=1e-9)


@settings(max_examples=30, deadline=None)
@given(grids, st.floats(-0.01, 0.01), st.floats(-0.01, 0.01), st.floats(0.1, 10))
def test_laws(grid, bx, by, factor):
    """Adding a plane leaves F and FLT; turning, mirroring and transposing leave them; scaling z scales all; order."""
    x, y, z = stack_of(**grid)
    before = flatness(x, y, z)
    tilted = flatness(x, y, z + 0.5 + bx * x + by * y[:, None])
    mirrored = flatness(x, y.max() - y[::-1], z[:, ::-1])
    transposed = flatness(y, x, z.swapaxes(1, 2))
    scaled = flatness(x, y, z * -factor)
    xx, yy = np.meshgrid(x, y)
    order = np.random.default_rng(1).permutation(xx.size)
    shuffled = flatness(xx.ravel()[order], yy.ravel()[order], z.reshape(len(z), -1)[:, order])
    for name in ("ls", "mz", "rms"):
        want = getattr(before, name)
        for other in (tilted, mirrored, transposed, shuffled):
            assert_allclose(getattr(other, name), want, atol=1e-11)
        assert_allclose(getattr(scaled, name), want * factor, atol=1e-10)
    level = np.nanmax(z, axis=(1, 2)) - np.nanmin(z, axis=(1, 2))
    assert (before.mz <= before.ls + 1e-12).all()
    assert (before.mz <= level + 1e-12).all()
    assert (before.rms <= before.ls + 1e-12).all()
    assert (minimum_zone_along(x, y, z, (1.0, 0.5)).width >= before.mz - 1e-11).all()


def test_a_solver_that_gives_up_is_not_passed_over(monkeypatch):
    monkeypatch.setattr(module, "_ROUNDS", 0)
    monkeypatch.setattr("scipy.optimize.linprog", lambda *_, **__: SimpleNamespace(x=None, message="tired"))
    with pytest.raises(ArithmeticError, match="tired"):
        minimum_zone_plane([0, 1, 0, 1], [0, 0, 1, 1], [1.0, 2.0, 4.0, 3.0])


def test_flat_beds_and_planes_have_no_width():
    x = np.linspace(0, 200, 5)
    z = np.stack([np.zeros((5, 5)), np.full((5, 5), 3.7), 0.5 + 0.004 * x + 0.003 * x[:, None]])
    assert_allclose(minimum_zone_plane(x, x, z).width, 0, atol=1e-14)
    assert_allclose(minimum_zone_plane([0, 1, 0], [0, 0, 1], [3.0, 1.0, 7.0]).width, 0, atol=1e-14)


def test_points_in_a_line_have_no_zone():
    zone = minimum_zone_plane([0, 1, 2, 3, 9], [0, 1, 2, 3, 0], [[1, 2, 4, 1, np.nan], [1, 2, 4, 1, 3]])
    assert np.isnan(zone.width).tolist() == [True, False]
    assert zone.touching.shape == (2, 4)


def test_not_a_number_everywhere_is_not_a_width():
    assert np.isnan(minimum_zone_plane([0, 1, 0, 1], [0, 0, 1, 1], [np.nan] * 4).width)


def test_a_direction_without_length_is_refused():
    with pytest.raises(ValueError, match="length"):
        minimum_zone_along([0, 1, 0], [0, 0, 1], [1, 2, 3], (0.0, 0.0))


def test_least_squares_is_wider_where_one_point_stands_out():
    z = np.zeros((3, 3))
    z[2, 2] = 1.0
    x = np.arange(3.0)
    e = least_squares_plane(x, x, z[None]).residuals
    assert np.ptp(e) > minimum_zone_plane(x, x, z[None]).width[0] + 0.08
