"""An unchanged machine near a limit is told the same from day to day; one that really passes it is known soon."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from farmwatch.judge.condition import find_condition
from farmwatch.model import Limits
from tests.benchmarks.bench_calm import measure_calm, measure_causes, measure_passing

DAY = 86400.0


@pytest.mark.long
@pytest.mark.parametrize("limit_mm", [0.10, 0.20])
def test_unchanged_machines_near_a_limit_change_their_first_advice_twice_in_four_years_at_most(limit_mm: float) -> None:
    """Few machines, so each bound has three standard errors of a Poisson count on top; the plain rule has 18 a year."""
    machines, days = 8, 110
    found = measure_calm(machines, days, 0.006, limit_mm, seed=5)
    years = machines * (days - 20) / 365
    assert found["first advice"].mean() <= 0.5 + 3 * (0.5 / years) ** 0.5
    assert found["condition"].mean() <= 1.0 + 3 * (1.0 / years) ** 0.5
    assert found["peer's condition"].mean() > 5


@pytest.mark.long
@pytest.mark.parametrize("edge", ["form", "share"])
def test_unchanged_beds_at_the_edge_between_two_causes_keep_their_cause(edge: str) -> None:
    """Few machines and new ones, so three standard errors of a Poisson count stand on top of a bound of 2 a year."""
    machines, days = 6, 110
    found = measure_causes(machines, days, 0.006, edge, seed=9)
    years = machines * (days - 20) / 365
    assert found["cause"].mean() <= 2.0 + 3 * (2.0 / years) ** 0.5
    assert found["unclear, share of days"].mean() < 0.2


def test_a_real_passing_is_confirmed_within_two_more_meshes() -> None:
    assert measure_passing(20, 0.006, 0.05, seed=6).mean() >= 0.95


def test_the_condition_changes_within_the_stated_error() -> None:
    """On the limit itself the chart's in-control run length is about 2,000 (reference 1 sd, decision 3.2 sd)."""
    rng = np.random.default_rng(8)
    changes = 0
    for _ in range(40):
        ranges = 0.20 + rng.normal(0.0, 0.01, 365)
        times = np.arange(365) * DAY
        said = [find_condition(times[:i], ranges[:i], 0.01, Limits()).condition for i in range(10, 366, 5)]
        changes += sum(a != b for a, b in pairwise(said))
    assert changes / 40 <= 0.6


def test_a_slow_creep_over_the_limit_is_known_soon_too() -> None:
    ranges = [0.19] * 20 + [0.235] * 3
    found = find_condition(np.arange(23) * DAY, np.array(ranges), 0.01, Limits())
    assert (found.condition, found.confirmed, found.since) == ("past-limit", True, 20 * DAY)
