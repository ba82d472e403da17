import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from farmwatch.measure import flatness, measure_stack
from farmwatch.measure import stack as module
from farmwatch.measure.minimum_zone import minimum_zone_along

THREE = [(10.0, 10.0), (210.0, 10.0), (110.0, 210.0)]
TWO = [(10.0, 110.0), (210.0, 110.0)]
X = np.linspace(10, 210, 7)


def meshes(rng, n, rows=7, columns=7, sigma=0.01):
    u, v = np.meshgrid(np.linspace(-1, 1, columns), np.linspace(-1, 1, rows))
    bend, tilt = rng.normal(0, 0.1, (2, n, 1, 1)), rng.normal(0, 0.2, (n, 1, 1))
    return bend[0] * u**2 + bend[1] * u * v + tilt * v + sigma * rng.standard_normal((n, rows, columns))


def test_a_known_bed_is_measured_as_it_is():
    z = 0.1 + 0.002 * (X - 110) - 0.001 * (X[:, None] - 110) + 0.05 * ((X - 110) / 100) ** 2
    m = measure_stack(X, X, z[None], THREE, 0, sigma=0.01)
    assert_allclose(m.bx, 0.002)
    assert_allclose(m.by, -0.001)
    assert_allclose(m.range_mm, np.ptp(z))
    assert_allclose(m.flatness_ls, 0.05)
    assert_allclose(m.flatness_mz, 0.05)
    assert_allclose(m.heights, [[0.0, 0.4, 0.2 - 0.2]], atol=1e-12)
    assert m.shape.tolist() == ["trough"]
    assert_allclose(m.shares, [[1, 0, 0]], atol=1e-12)


def test_two_screws_reach_less():
    """A bed tilted across the line of its two screws: no turn takes that away."""
    z = (0.001 * X + 0.002 * X[:, None])[None]
    m = measure_stack(X, X, z, TWO, 0)
    assert_allclose(m.minimum_zone, 0, atol=1e-12)
    assert_allclose(m.flatness_mz, 0.4)
    assert_allclose(m.heights, [[0, 0.2]])
    assert_allclose(m.not_adjustable, 0.002)
    assert_allclose(m.flatness_mz, minimum_zone_along(X, X, z, (1.0, 0.0)).width)


def test_a_spike_moves_the_range_and_nothing_else(rng):
    z = meshes(rng, 40)
    with_spike = z.copy()
    with_spike[:, 2, 3] += 0.6
    gone = z.copy()
    gone[:, 2, 3] = np.nan
    found, without = (measure_stack(X, X, h, THREE, 0, sigma=0.01) for h in (with_spike, gone))
    assert found.spikes[:, 2, 3].all()
    assert found.spikes.sum() == 40
    for name in ("bx", "by", "flatness_ls", "flatness_mz", "rms", "heights", "range_without_spikes_mm", "shares"):
        assert_allclose(getattr(found, name), getattr(without, name), atol=1e-12)
    assert_allclose(found.range_mm, np.ptp(with_spike, axis=(1, 2)))
    assert_allclose(found.stands_off[:, 2, 3], 0.6, atol=0.05)
    assert np.isfinite(found.form[:, 2, 3]).all()
    assert np.isnan(without.form[:, 2, 3]).all()


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), two=st.booleans(), missing=st.booleans())
def test_laws(seed, two, missing):
    """A plane added changes neither form nor F; F <= FLTt <= R once levelled; scaling z scales all."""
    rng = np.random.default_rng(seed)
    z = meshes(rng, 5)
    if missing:
        z[rng.random(z.shape) < 0.1] = np.nan
    screws = TWO if two else THREE
    m = measure_stack(X, X, z, screws, 0)
    # What two screws cannot take away stays: only tilt along their line leaves F alone.
    tilted = measure_stack(X, X, z + 0.3 + 0.002 * X - (0 if two else 0.001) * X[:, None], screws, 0)
    for name in ("form", "flatness_ls", "flatness_mz", "minimum_zone", "rms", "shares"):
        assert_allclose(getattr(tilted, name), getattr(m, name), atol=1e-11)
    assert np.array_equal(tilted.shape, m.shape)
    level = measure_stack(X, X, m.form, screws, 0)
    assert (m.minimum_zone <= m.flatness_mz + 1e-12).all()
    assert (m.minimum_zone <= m.flatness_ls + 1e-12).all()
    assert (m.flatness_mz <= m.range_mm + 1e-12).all()
    assert (level.flatness_ls <= level.range_mm + 1e-12).all()
    assert_allclose(level.flatness_ls, m.flatness_ls, atol=1e-11)
    scaled = measure_stack(X, X, 0.5 * z, screws, 0)
    for name in ("range_mm", "heights", "form"):
        assert_allclose(getattr(scaled, name), 0.5 * getattr(m, name), atol=1e-12)


def test_a_stack_is_the_same_as_one_by_one(rng, monkeypatch):
    z = meshes(rng, 12)
    z[3, 0, 0] = z[5, 6, 6] = np.nan
    z[7, 3, 3] += 0.5
    sigma = np.linspace(0.005, 0.02, 12)
    whole = measure_stack(X, X, z, THREE, 1, sigma)
    monkeypatch.setattr(module, "_HEIGHTS_A_ROUND", 100)
    in_rounds = measure_stack(X, X, z, THREE, 1, sigma)
    for i in range(12):
        one = measure_stack(X, X, z[i : i + 1], THREE, 1, sigma[i])
        for name in ("form", "flatness_mz", "heights", "heights_covariance", "shares", "range_mm"):
            # The last bits may differ between small and large products.
            assert_allclose(getattr(one, name)[0], getattr(whole, name)[i], atol=1e-12)
            assert_allclose(getattr(in_rounds, name)[i], getattr(whole, name)[i], atol=1e-12)


def test_agrees_with_the_parts(rng):
    z = meshes(rng, 6)
    m, parts = measure_stack(X, X, z, THREE, 0), flatness(X, X, z)
    assert_allclose(m.flatness_ls, parts.ls)
    assert_allclose(m.flatness_mz, parts.mz)
    assert_allclose(m.rms, parts.rms)


def test_covariance_takes_the_point_noise_where_it_is_known(rng):
    z = meshes(rng, 2)
    known = measure_stack(X, X, z, THREE, 0, 0.01)
    assert_allclose(measure_stack(X, X, z, THREE, 0, 0.02).heights_covariance, 4 * known.heights_covariance)
    assert (np.linalg.eigvalsh(known.heights_covariance) > -1e-18).all()
    assert (measure_stack(X, X, z, THREE, 0).heights_covariance[:, 1, 1] > known.heights_covariance[:, 1, 1]).all()


def test_an_empty_stack_measures_nothing():
    m = measure_stack(X, X, np.zeros((0, 7, 7)), THREE, 0)
    assert m.form.shape == (0, 7, 7)
    assert m.heights.shape == (0, 3)


@pytest.mark.parametrize("z", [np.zeros((7, 7)), np.zeros((2, 6, 7))])
def test_shapes_that_do_not_fit_are_refused(z):
    with pytest.raises(ValueError, match="do not fit"):
        measure_stack(X, X, z, THREE, 0)


def test_a_three_by_three_grid_is_measured_too(rng):
    z = meshes(rng, 4, 3, 3)
    m = measure_stack(X[::3], X[::3], z, THREE, 0, 0.01)
    assert not m.spikes.any()
    assert np.isfinite(m.flatness_mz).all()
