"""Points that stray in one reading."""

import numpy as np
import pytest

from farmwatch.demo import bent
from farmwatch.measure import least_squares_plane
from farmwatch.measure.transient_spikes import without_transient_spikes

X = np.linspace(10.0, 210.0, 7)
ONE = np.zeros(30, dtype=int)


def clean(z, owner=ONE):
    found = without_transient_spikes(X, X, z, least_squares_plane(X, X, z).residuals, owner)
    return np.argwhere(np.isnan(found) & np.isfinite(z)).tolist()


def meshes(seed=1, n=30):
    return np.random.default_rng(seed).normal(0, 0.004, (n, 7, 7)) + 0.1 * bent("bowl", X, X)


@pytest.mark.parametrize("at", [(0, 3, 3), (12, 0, 0), (12, 3, 6), (29, 6, 2)])
@pytest.mark.parametrize("mm", [-0.3, 0.1, 0.5])
def test_a_spike_is_left_out(at, mm):
    z = meshes()
    z[at] += mm
    assert clean(z) == [list(at)]


def test_a_plate_swap_and_a_bent_corner_are_no_strays():
    z = meshes()
    z[15:] += 0.4 * bent("corner", X, X)
    assert clean(z) == []


def test_a_corner_bent_in_one_reading_leans():
    z = meshes()
    z[15] += 0.4 * bent("corner", X, X)
    assert clean(z) == []


def test_a_tilt_is_no_stray():
    z = meshes()
    z[15] += 0.4 * X / 200.0
    assert clean(z) == []


def test_machines_are_not_compared_with_each_other():
    z = meshes()
    z[15:, 3, 3] += 0.5
    assert clean(z, np.repeat([0, 1], 15)) == []


def test_two_readings_are_searched_mesh_by_mesh():
    z = meshes(n=2)
    z[1, 3, 3] += 0.5
    assert clean(z, np.zeros(2, dtype=int)) == [[1, 3, 3]]


def test_missing_points_are_no_strays():
    z = meshes()
    z[::2, 1, 1] = np.nan
    z[4, 3, 3] += 0.4
    assert clean(z) == [[4, 3, 3]]


@pytest.mark.parametrize(("mm", "found"), [(0.18, True), (0.08, False)])
def test_a_coarse_probe_must_be_stood_off_by_six_sigmas(mm, found):
    """At 0.02 mm a point, six sigmas are 0.12 mm, with what two of them say of each other 0.14."""
    z = np.random.default_rng(7).normal(0, 0.02, (60, 7, 7))
    z[30, 3, 3] = mm
    z[[29, 31], 3, 3] = 0.0
    assert ([30, 3, 3] in clean(z, np.zeros(60, dtype=int))) == found
