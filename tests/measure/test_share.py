"""The noise's share of range and form: taken off on average, and nothing else."""

import numpy as np
import pytest

from farmwatch.demo import bent
from farmwatch.measure.minimum_zone import minimum_zone_plane
from farmwatch.measure.share import range_shares, zones_without_noise


def axis(side):
    return np.linspace(10.0, 210.0, side)


@pytest.mark.parametrize("side", [5, 7, 15, 30])
@pytest.mark.parametrize("sigma", [0.005, 0.015])
def test_the_range_less_its_share_is_that_of_the_bed(side, sigma):
    rng, x, off, raw = np.random.default_rng(1), axis(side), [], []
    for kind in ("flat", "bowl", "saddle", "wave"):
        for slope in (0.0, 0.1):
            bed = 0.1 * bent(kind, x, x) + slope * (x[None, :] - 110.0) / 200.0
            z = bed + sigma * rng.standard_normal((60, side, side))
            ranges = np.ptp(z.reshape(60, -1), axis=1)
            raw.append(ranges.mean() - np.ptp(bed))
            off.append((ranges - range_shares(x, x, z, np.full(60, sigma))).mean() - np.ptp(bed))
    assert np.mean(off) == pytest.approx(0.0, abs=0.005)
    assert np.abs(off).max() < max(0.014, 0.4 * np.max(raw))


def test_a_bed_without_noise_has_no_share():
    x = axis(7)
    z = (0.1 * bent("bowl", x, x))[None]
    assert range_shares(x, x, z, np.zeros(1)) == pytest.approx(0.0, abs=1e-12)
    least, flatness = zones_without_noise(x, x, z, np.zeros(1), None)
    assert least == flatness == pytest.approx(minimum_zone_plane(x, x, z).width, abs=1e-9)


def test_form_of_a_mean_of_meshes_is_that_of_the_bed():
    rng, x = np.random.default_rng(2), axis(21)
    bed = 0.15 * bent("saddle", x, x)
    true = float(minimum_zone_plane(x, x, bed[None]).width[0])
    means = bed + 0.01 / 2.0 * rng.standard_normal((40, 21, 21))
    least, _ = zones_without_noise(x, x, means, np.full(40, 0.005), None)
    assert least.mean() == pytest.approx(true, abs=0.005)
    assert minimum_zone_plane(x, x, means).width.mean() > true + 0.008


def test_missing_points_are_left_missing_and_mirrors_have_the_same_share():
    rng, x = np.random.default_rng(3), axis(9)
    z = 0.1 * bent("corner", x, x) + 0.01 * rng.standard_normal((1, 9, 9))
    z[0, 4, 4] = np.nan
    share = range_shares(x, x, z, np.full(1, 0.01))
    assert np.isfinite(share).all()
    assert range_shares(x, x, z[:, :, ::-1], np.full(1, 0.01)) == pytest.approx(share, abs=1e-9)
