"""Straight lines: against published fits, and against numpy on random groups."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from farmwatch.follow.lines import fit_lines, ranges_of


def test_linear_drift_and_its_residuals(published):
    # US EPA, Statistical Analysis of Groundwater Monitoring Data at RCRA Facilities, Unified Guidance (2009),
    # Example 17-5, p. 17-26: chloride, 19 residuals to 6 decimals.
    example = published("epa_ug_ex_17_5_chloride")
    t, y = np.array(example["elapsed_days"]), np.array(example["chloride_ppm"])
    fit = fit_lines(np.zeros(t.size, dtype=int), 1, t, np.zeros((t.size, 0)), y[:, None])
    assert fit.residuals[:, 0] == pytest.approx(example["published"]["residuals"], abs=5e-7)
    assert fit.coefficients[0, 1, 0] == pytest.approx(example["recomputed"]["slope"], rel=1e-10)
    s2 = float(fit.residuals[:, 0] @ fit.residuals[:, 0]) / (t.size - 2)
    assert np.sqrt(s2 * fit.cofactor[0, 1, 1]) == pytest.approx(example["recomputed"]["slope_se"], rel=1e-9)


def test_prediction_and_its_uncertainty(published):
    # JCGM 100:2008 (GUM), Annex H.3, Table H.6: calibration of a thermometer, correction predicted at 30 degrees.
    example = published("gum_h3_thermometer")
    t, b = np.array(example["t_k"]), np.array(example["b_k"])
    fit = fit_lines(np.zeros(t.size, dtype=int), 1, t, np.zeros((t.size, 0)), b[:, None])
    s2 = float(fit.residuals[:, 0] @ fit.residuals[:, 0]) / (t.size - 2)
    assert np.sqrt(s2) == pytest.approx(example["published"]["s"], abs=5e-5)
    design = np.array([1.0, 30.0 - fit.middle[0]])
    assert design @ fit.coefficients[0, :, 0] == pytest.approx(example["published"]["b_30"], abs=5e-5)
    assert np.sqrt(s2 * design @ fit.cofactor[0] @ design) == pytest.approx(example["published"]["u_b_30"], abs=5e-5)


@settings(max_examples=50, deadline=None)
@given(st.integers(0, 10_000), st.integers(1, 4), st.integers(0, 2))
def test_many_groups_at_once_equal_numpy_one_by_one(seed, groups, bands):
    rng = np.random.default_rng(seed)
    n = 12 * groups
    group = np.repeat(np.arange(groups), 12)
    t, y = np.sort(rng.uniform(0, 300, n)), rng.normal(size=(n, 2))
    extra = (rng.random((n, bands)) < 0.5).astype(float)
    fit = fit_lines(group, groups, t, extra, y)
    for g in range(groups):
        own = group == g
        design = np.column_stack([np.ones(12), t[own] - fit.middle[g], extra[own]])
        wanted = design @ np.linalg.lstsq(design, y[own], rcond=None)[0]
        assert y[own] - fit.residuals[own] == pytest.approx(wanted, abs=1e-9)
        assert fit.rank[g] == np.linalg.matrix_rank(design)


def test_a_column_that_says_nothing_takes_no_part():
    y = np.array([[1.0], [2.0], [3.0]])
    fit = fit_lines(np.zeros(3, dtype=int), 1, np.full(3, 5.0), np.ones((3, 1)), y)
    assert fit.rank[0] == 1
    assert fit.coefficients[0, :, 0] == pytest.approx([2.0, 0.0, 0.0])
    assert fit.cofactor[0, 1, 1] == 0.0


def test_segments_are_numbered_from_their_starts():
    assert ranges_of(np.array([0, 3, 4]), 6).tolist() == [0, 0, 0, 1, 2, 2]
