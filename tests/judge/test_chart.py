"""The sum that decides a condition, against the handbook; an EWMA, no part of farmwatch, as a second opinion."""

import tomllib
from itertools import accumulate
from pathlib import Path

import numpy as np
import pytest

from farmwatch.judge.condition import next_sum

REFERENCE = Path(__file__).parent.parent / "reference"


def published(name):
    return tomllib.loads((REFERENCE / f"{name}.toml").read_text(encoding="utf-8"))


def sums(values, target, slack):
    """Sums upwards and downwards."""

    def one_sided(sign):
        found = accumulate((sign * (x - target) for x in values), lambda s, x: next_sum(s, x, slack), initial=0.0)
        return np.array(list(found)[1:])

    return one_sided(1.0), one_sided(-1.0)


def ewma(values, weight, start):
    """z_i = weight·x_i + (1 − weight)·z_(i−1), z_0 = start first. NIST/SEMATECH e-Handbook 6.3.2.4; Roberts 1959."""
    return np.array(list(accumulate(values, lambda z, x: weight * x + (1.0 - weight) * z, initial=start)))


def ewma_reach(sd, weight, width):
    """Width of an EWMA's limits in its steady state. NIST/SEMATECH e-Handbook 6.3.2.4."""
    return width * sd * (weight / (2.0 - weight)) ** 0.5


def test_cusum_of_the_handbook():
    # NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.2.3.
    page = published("nist_cusum_6_3_2_3")
    given, wanted = page["parameters"], page["published"]
    upper, lower = sums(page["data"], given["target"], given["k"])
    assert upper == pytest.approx(wanted["s_hi"], abs=0.0051)
    assert lower == pytest.approx(wanted["s_lo"], abs=0.0051)
    first = int(np.flatnonzero((upper > given["h"]) | (lower > given["h"]))[0]) + 1
    assert first == wanted["first_signal_group"]


def test_the_second_opinion_is_the_one_of_the_handbook():
    # NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.2.4.
    page = published("nist_ewma_6_3_2_4")
    given, wanted = page["parameters"], page["published"]
    smooth = ewma(page["data"], given["lam"], given["target"])
    # The page shows two decimals.
    assert smooth == pytest.approx(wanted["ewma"], abs=0.005)
    reach = ewma_reach(given["s"], given["lam"], given["k"])
    # The page truncates its factor to 0.4201.
    assert given["target"] + reach == pytest.approx(wanted["ucl"], abs=1e-3)
    assert given["target"] - reach == pytest.approx(wanted["lcl"], abs=1e-3)
    assert bool((np.abs(smooth - given["target"]) > reach).any()) is wanted["out_of_control"]


def test_both_see_the_shift_of_the_handbook():
    page = published("nist_cusum_6_3_2_3")
    x, target = np.array(page["data"]), page["parameters"]["target"]
    # The first twelve groups, which stand still, say how large the noise is.
    smooth = ewma(x, 0.2, target)
    high = target + ewma_reach(float(x[:12].std(ddof=1)), 0.2, 4.0)
    assert smooth[-1] > high
    assert (smooth[1:13] < high).all()
    assert sums(x, target, page["parameters"]["k"])[0][-1] > page["parameters"]["h"]
