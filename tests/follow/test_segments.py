"""Segmentation: against published optimal partitions, and against ruptures on the same cost."""

from itertools import pairwise

import numpy as np
import pytest
import ruptures
from hypothesis import given, settings
from hypothesis import strategies as st

from farmwatch.follow import segments
from farmwatch.follow.segments import LEAST_SIDE, SeriesBatch, penalty, segment, segment_costs


def lane(t, y, extra=None, forced=()):
    n = len(t)
    mark = np.zeros((1, n), dtype=bool)
    mark[0, list(forced)] = True
    bands = np.zeros((1, n, 0)) if extra is None else np.asarray(extra, float)[None]
    return SeriesBatch(np.asarray(t, float)[None], np.asarray(y, float)[None], bands, np.array([n]), mark)


def one(number):
    return np.array([float(number)])


def breaks(found):
    return found.starts[0][1:].tolist()


def best_with(costs, pieces, least):
    """Least total cost with so many pieces of at least `least` readings: a plain dynamic programme over our costs."""
    n = len(costs.columns)
    best = np.full((pieces + 1, n + 1), np.inf)
    came = np.zeros((pieces + 1, n + 1), dtype=int)
    best[0, 0] = 0.0
    for k in range(1, pieces + 1):
        for j in range(least, n + 1):
            tried = best[k - 1, : j - least + 1] + costs.columns[j - 1][0, : j - least + 1]
            came[k, j] = int(tried.argmin())
            best[k, j] = tried[came[k, j]]
    at, found = n, []
    for k in range(pieces, 0, -1):
        at = came[k, at]
        found.append(int(at))
    return best[pieces, n], found[::-1][1:]


def test_all_partitions_of_the_nile(nile, published):
    # G. W. Cobb, The problem of the Nile, Biometrika 65 (1978); RSS and BIC of the optimal partitions as printed in
    # the reference output of the CRAN structural-change package (Zeileis et al. 2003), least segment 15 years.
    wanted = published("nile_1898_shift")["published"]
    # All at one time: the slope is not determined and segments are means.
    costs = segment_costs(lane(np.zeros(100), nile[:, None]), one(1), one(0))
    indices = published("nile_1898_shift")["recomputed"]["break_indices"]
    for m in range(6):
        rss, found = best_with(costs, m + 1, wanted["min_segment"])
        assert rss == pytest.approx(wanted["rss"][m], abs=0.6)
        bic = 100 * (np.log(rss) + 1 - np.log(100) + np.log(2 * np.pi)) + np.log(100) * 2 * (m + 1)
        assert bic == pytest.approx(wanted["bic"][m], abs=0.6)
        assert found == indices.get(f"m{m}", [])


def test_the_break_of_1898_by_penalty(nile, published):
    wanted = published("nile_1898_shift")["published"]
    sigma2 = 2835157 / 99 / 2
    found = segment(lane(np.zeros(100), nile[:, None]), one(1 / sigma2), one(4 * np.log(100)))
    assert breaks(found) == [wanted["break_index"]]
    assert 1871 + breaks(found)[0] - 1 == wanted["break_year"]


class SumOfLines(ruptures.base.BaseCost):
    """ruptures' own linear cost, summed over the columns of heights."""

    model = "lines"
    min_size = 2

    def __init__(self, t, y):
        self.t, self.y = t, y

    def fit(self, signal):
        self.signal = signal
        return self

    def error(self, start, end):
        design = np.column_stack([np.ones(end - start), self.t[start:end]])
        return sum(
            ruptures.costs.CostLinear().fit(np.column_stack([self.y[start:end, k], design])).error(0, end - start)
            for k in range(self.y.shape[1])
        )


@pytest.mark.parametrize("seed", range(4))
def test_same_breaks_as_the_exact_dynamic_programme_of_ruptures(seed):
    rng = np.random.default_rng(seed)
    n, columns = 40, 1 + seed % 2
    t = np.cumsum(rng.exponential(1.0, n))
    y = rng.normal(size=(n, columns)) + 0.05 * t[:, None]
    y[13:] += 6.0
    y[29:] -= 5.0 + 0.2 * t[29:, None]
    ours = segment(lane(t, y), one(1), one(25))
    assert len(ours.starts[0]) > 1
    exact = ruptures.Dynp(custom_cost=SumOfLines(t, y), min_size=LEAST_SIDE, jump=1).fit(y)
    assert breaks(ours) == exact.predict(n_bkps=len(breaks(ours)))[:-1]


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10_000), st.integers(6, 30), st.integers(0, 2), st.floats(1.0, 60.0))
def test_the_total_is_the_least_of_all_segmentations(seed, n, bands, price):
    """A slow and obvious second implementation: every segmentation by least squares."""
    rng = np.random.default_rng(seed)
    t, y = np.cumsum(rng.exponential(1.0, n)), rng.normal(size=(n, 2)) * 3
    extra = (rng.random((n, bands)) < 0.4).astype(float)
    found = segment(lane(t, y, extra), one(1), one(price))

    def cost(i, j):
        design = np.column_stack([np.ones(j - i), t[i:j] - t[i], extra[i:j]])
        return float(((y[i:j] - design @ np.linalg.lstsq(design, y[i:j], rcond=None)[0]) ** 2).sum())

    best = [-price] + [np.inf] * n
    for j in range(LEAST_SIDE, n + 1):
        best[j] = min(best[i] + cost(i, j) + price for i in range(j - LEAST_SIDE + 1))
    assert found.total[0] == pytest.approx(best[n], rel=1e-7, abs=1e-6)
    ends = [*found.starts[0], n]
    reached = sum(cost(i, j) for i, j in pairwise(ends)) + price * (len(ends) - 2)
    assert reached == pytest.approx(best[n], rel=1e-7, abs=1e-6)


@pytest.mark.parametrize("seed", range(3))
def test_screening_long_series_finds_what_the_whole_search_finds(seed, monkeypatch):
    rng = np.random.default_rng(seed)
    n = 700
    t = np.cumsum(rng.exponential(1.0, n))
    y = rng.normal(size=(n, 2))
    for at in np.sort(rng.choice(np.arange(5, n - 5), 5, replace=False)):
        y[at:] += rng.choice([-1, 1], 2) * rng.uniform(2.0, 6.0, 2)
    screened = segment(lane(t, y), one(1), one(35))
    monkeypatch.setattr(segments, "EXACT_UP_TO", n)
    whole = segment(lane(t, y), one(1), one(35))
    assert breaks(screened) == breaks(whole)
    assert len(breaks(whole)) >= 4


def test_lanes_side_by_side_are_what_they_are_alone():
    rng = np.random.default_rng(4)
    length = np.array([50, 9, 2, 33])
    t, y = np.sort(rng.uniform(0, 99, (4, 50)), axis=1), rng.normal(size=(4, 50, 2))
    y[0, 20:] += 9.0
    y[3, 12:] -= 9.0
    none = np.zeros((4, 50, 0))
    together = segment(SeriesBatch(t, y, none, length, np.zeros((4, 50), bool)), np.ones(4), np.full(4, 30.0))
    for b in range(4):
        k = length[b]
        alone = segment(lane(t[b, :k], y[b, :k]), one(1), one(30))
        assert together.starts[b].tolist() == alone.starts[0].tolist()


def test_a_forced_start_holds_whatever_it_costs_and_may_be_close():
    y = np.zeros((20, 1))
    found = segment(lane(np.arange(20.0), y, forced=[10, 11]), one(1), one(1e6))
    assert found.starts[0].tolist() == [0, 10, 11]


def test_no_side_is_shorter_than_three():
    y = np.zeros((12, 1))
    y[10:] = 50.0
    found = segment(lane(np.arange(12.0), y), one(1), one(5))
    assert all(end - start >= LEAST_SIDE for start, end in pairwise([*found.starts[0], 12]))


def test_a_band_that_begins_is_no_break():
    t = np.arange(40.0)
    y = np.where(t[:, None] >= 20, 5.0, 0.0) + np.random.default_rng(1).normal(size=(40, 1)) * 0.1
    band = (t >= 20).astype(float)[:, None]
    assert breaks(segment(lane(t, y), one(100), one(40))) == [20]
    assert breaks(segment(lane(t, y, band), one(100), one(40))) == []


def test_the_penalty_grows_for_short_series_and_for_more_columns():
    assert penalty(np.array([1e9]), 2)[0] == pytest.approx(32.0)
    assert penalty(np.array([15.0]), 2)[0] == pytest.approx(64.0)
    assert penalty(np.array([50.0]), 3)[0] > penalty(np.array([50.0]), 2)[0] > penalty(np.array([50.0]), 1)[0]
