"""Charts: against the handbook, and the one that says "moved"."""

import numpy as np
import pytest

from farmwatch.follow.chart import cusum, ewma, ewma_limits


def test_ewma_of_the_handbook(published):
    # NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.2.4.
    page = published("nist_ewma_6_3_2_4")
    given, wanted = page["parameters"], page["published"]
    smooth = ewma(page["data"], given["lam"], given["target"])
    # The page shows two decimals.
    assert smooth == pytest.approx(wanted["ewma"], abs=0.005)
    low, high = ewma_limits(given["target"], given["s"], given["lam"], given["k"])
    # The page truncates its factor to 0.4201.
    assert (low, high) == pytest.approx((wanted["lcl"], wanted["ucl"]), abs=1e-3)
    assert bool(((smooth > high) | (smooth < low)).any()) is wanted["out_of_control"]


def test_cusum_of_the_handbook_as_a_second_opinion(published):
    # NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.2.3.
    page = published("nist_cusum_6_3_2_3")
    given, wanted = page["parameters"], page["published"]
    upper, lower = cusum(page["data"], given["target"], given["k"])
    assert upper == pytest.approx(wanted["s_hi"], abs=0.0051)
    assert lower == pytest.approx(wanted["s_lo"], abs=0.0051)
    first = int(np.flatnonzero((upper > given["h"]) | (lower > given["h"]))[0]) + 1
    assert first == wanted["first_signal_group"]


def test_both_charts_see_the_shift_of_the_handbook(published):
    page = published("nist_cusum_6_3_2_3")
    x, target = np.array(page["data"]), page["parameters"]["target"]
    # The first twelve groups, which stand still, say how large the noise is.
    smooth = ewma(x, 0.2, target)
    _, high = ewma_limits(target, float(x[:12].std(ddof=1)), 0.2, 4.0)
    assert smooth[-1] > high
    assert (smooth[1:13] < high).all()
