"""From one grid to another."""

import numpy as np
import pytest

from farmwatch.history import Stack
from farmwatch.measure.grids import common_points, interpolate

COARSE, FINE = np.linspace(10.0, 210.0, 5), np.linspace(10.0, 210.0, 9)


def stack(x, y):
    return Stack(x, y, np.zeros((1, y.size, x.size)), np.array([0]))


def test_planes_are_read_exactly():
    z = 0.1 + 0.003 * COARSE[None, :] - 0.002 * COARSE[:, None]
    read = interpolate(COARSE, COARSE, z[None], FINE, FINE)[0]
    assert read == pytest.approx(0.1 + 0.003 * FINE[None, :] - 0.002 * FINE[:, None])


def test_the_same_grid_is_handed_back():
    z = np.random.default_rng(1).normal(size=(3, 5, 5))
    assert interpolate(COARSE, COARSE, z, COARSE, COARSE) is z


def test_outside_and_beside_missing_points_is_missing():
    z = np.zeros((1, 5, 5))
    z[0, 2, 2] = np.nan
    read = interpolate(COARSE, COARSE, z, np.array([10.0, 100.0, 300.0]), COARSE)[0]
    assert np.isnan(read).tolist() == [[False, r == 2, True] for r in range(5)]


def test_common_points_are_those_of_the_coarsest_inside_all():
    x, y = common_points([stack(FINE, FINE), stack(COARSE, COARSE), stack(FINE[:6], FINE)])
    assert x.tolist() == COARSE[:3].tolist()
    assert y.tolist() == COARSE.tolist()


def test_grids_that_hardly_share_points_still_have_some():
    x, _ = common_points([stack(np.linspace(0, 100, 4), COARSE), stack(np.linspace(90, 210, 4), COARSE)])
    assert x.size == 3
