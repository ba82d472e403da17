"""Second opinions on drift and single shifts: the exact distribution of S, and Pettitt's test.

Exact probabilities of Mann-Kendall's S: counted over all orders of n readings (the oracle; nothing is printed here that
was not counted). Beside them stand values of the table of M. G. Kendall, Rank Correlation Methods (4th ed. 1970),
Appendix Table 1, from memory.
"""

from __future__ import annotations

from itertools import permutations
from math import exp, factorial

import numpy as np
import pytest

from farmwatch.follow import find_steps
from farmwatch.follow.trends import mann_kendall_s, tie_corrected_variance, trend
from farmwatch.mesh import Floats


def exact_counts(n: int) -> dict[int, int]:
    """How many of the n! orders of n readings have each S: one reading more adds 0 to n - 1 pairs that fall."""
    falling = {0: 1}
    for size in range(2, n + 1):
        more: dict[int, int] = {}
        for pairs, count in falling.items():
            for added in range(size):
                more[pairs + added] = more.get(pairs + added, 0) + count
        falling = more
    pairs = n * (n - 1) // 2
    return {pairs - 2 * fallen: count for fallen, count in falling.items()}


def exact_tail(n: int, s: int) -> float:
    """Probability of S or more without trend."""
    return sum(count for value, count in exact_counts(n).items() if value >= s) / factorial(n)


@pytest.mark.parametrize("n", [3, 4, 5, 6])
def test_s_over_every_order_has_the_exact_distribution(n: int) -> None:
    counted: dict[int, int] = {}
    for order in permutations(range(n)):
        s = int(mann_kendall_s(np.arange(n), np.array(order, dtype=float)))
        counted[s] = counted.get(s, 0) + 1
    assert counted == exact_counts(n)


@pytest.mark.parametrize(("n", "s", "printed"), [(4, 6, 0.042), (5, 8, 0.042), (6, 9, 0.068), (8, 16, 0.031),
                                                 (10, 21, 0.036), (10, 45, 0.0000)])  # fmt: skip
def test_the_exact_tail_is_that_of_kendalls_table(n: int, s: int, printed: float) -> None:
    assert exact_tail(n, s) == pytest.approx(printed, abs=6e-4)


@pytest.mark.parametrize("n", range(6, 16))
def test_the_variance_is_exact_and_what_is_called_significant_is_so_exactly_too(n: int) -> None:
    counts = exact_counts(n)
    assert sum(s * s * c for s, c in counts.items()) / factorial(n) == pytest.approx(
        tie_corrected_variance(np.arange(n, dtype=float)), rel=1e-12
    )
    for s in range(n * (n - 1) // 2, 0, -2):
        (told,) = trend(np.arange(n), _order_with(n, s), correlation=0.0)
        assert told.s == s
        # The normal curve, corrected for continuity: right to a hundredth where it matters, and to 0.02 elsewhere.
        exact = 2 * exact_tail(n, s)
        assert told.p == pytest.approx(exact, abs=0.01 if exact < 0.1 else 0.02)
        assert not told.significant or 2 * exact_tail(n, s) < 0.005


def _order_with(n: int, s: int) -> Floats:
    """n readings with that S: rising, but for the pairs that must fall."""
    fall, left, order = (n * (n - 1) // 2 - s) // 2, list(range(n)), []
    while left:
        take = min(fall, len(left) - 1)
        order.append(left.pop(take))
        fall -= take
    return np.array(order, dtype=float)


def pettitt(y: Floats) -> tuple[int, float, float]:
    """First reading after the likeliest shift, K and its significance.

    A. N. Pettitt, A non-parametric approach to the change-point problem, Applied Statistics 28 (1979) 126-135:
    K = max |U_t|, U_t the sum of sign(x_i - x_j) over i <= t < j; p is about 2 exp(-6 K^2 / (n^3 + n^2)).
    """
    n = y.size
    signs = np.sign(y[:, None] - y[None, :])
    u = np.array([signs[:t, t:].sum() for t in range(1, n)])
    at, k = int(np.abs(u).argmax()) + 1, float(np.abs(u).max())
    return at, k, min(2.0 * exp(-6.0 * k**2 / (n**3 + n**2)), 1.0)


def test_pettitt_on_the_nile(nile: Floats, published) -> None:
    wanted = published("nile_1898_shift")["recomputed"]
    at, k, p = pettitt(nile)
    assert (at, k) == (wanted["pettitt_index"], wanted["pettitt_K"])
    assert p == pytest.approx(wanted["pettitt_p"], rel=1e-6)


def test_single_shifts_of_a_tooth_stand_where_pettitt_has_them() -> None:
    """Pettitt's K goes by ranks, and leans to the middle: in the middle it is right to three readings."""
    for seed in range(20):
        rng = np.random.default_rng(seed)
        y = rng.normal(0.0, 0.01, 40) + np.where(np.arange(40) >= 20, 0.25, 0.0)
        [found] = find_steps(np.arange(40.0), y)
        at, _, p = pettitt(y)
        assert found.first_after == 20
        assert abs(at - 20) <= 3
        assert p < 0.001


def test_both_find_none_where_there_is_none() -> None:
    for seed in range(20):
        y = np.random.default_rng(100 + seed).normal(0.0, 0.01, 40)
        assert find_steps(np.arange(40.0), y) == []
        assert pettitt(y)[2] > 0.001


@pytest.mark.parametrize("days_apart", [1.0, 7.0, 365.25])
def test_the_step_of_the_nile_is_less_than_a_machine_is_said_to_jump_by(nile: Floats, days_apart: float) -> None:
    """On no axis: a machine may drift, and a line through all years leaves too little to prove a jump of 2 sd.

    What has no drift is found in 1898 (`test_segments`); four times the shift is found there on every axis, as a jump.
    """
    days = np.arange(100) * days_apart
    assert find_steps(days, nile / 1000) == []
    larger = nile / 1000 + np.where(np.arange(100) < 28, 0.75, 0.0)
    assert [step.first_after for step in find_steps(days, larger)] == [28]
