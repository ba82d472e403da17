"""Forecasts judged when their day has come: by hand, and that what came of one never decides when it is judged."""

import numpy as np
import pytest

from farmwatch.follow import score_forecasts

INF = float("inf")


def score(*rows):
    """Each row: chance, p10, p90, passed, watched, ended."""
    chance, p10, p90, passed, watched, ended = np.array(rows, dtype=float).reshape(-1, 6).T
    return score_forecasts(
        chance=chance, p10=p10, p90=p90, horizon=np.full(chance.size, 182.0), passed=passed, watched=watched,
        ended=ended,
    )  # fmt: skip


def test_intervals_are_judged_when_they_have_run_out():
    found = score(
        (0.9, 20.0, 60.0, 40.0, 80.0, INF),  # held
        (0.9, 20.0, 60.0, 10.0, 80.0, INF),  # too early
        (0.9, 20.0, 60.0, INF, 80.0, INF),  # never came
        (0.9, 20.0, 60.0, 40.0, 50.0, INF),  # passed, but a miss could not have shown yet
        (0.9, 20.0, 60.0, INF, 80.0, 30.0),  # work in between
        (0.5, 60.0, INF, INF, 200.0, INF),  # said open-ended, and did not pass
        (0.01, INF, INF, INF, 80.0, INF),  # named no day
    )
    assert (found.kept, found.intervals, found.held) == (7, 4, 2)
    assert found.held_share == 0.5
    assert found.held_error == pytest.approx(0.25)


def test_chances_are_judged_when_the_horizon_is_past():
    found = score(
        (0.8, 20.0, 60.0, 40.0, 190.0, INF),
        (0.2, 90.0, INF, INF, 190.0, INF),
        (0.2, 90.0, INF, INF, 100.0, INF),
        (0.6, 90.0, INF, INF, 190.0, 100.0),
    )
    assert (found.chances, found.passed) == (2, 1)
    assert found.brier == pytest.approx((0.2**2 + 0.2**2) / 2)
    assert found.climatology == 0.25
    assert [(tenth.said, tenth.seen, tenth.forecasts) for tenth in found.tenths] == [(0.2, 0.0, 1), (0.8, 1.0, 1)]


def test_nothing_said_is_nothing_judged():
    found = score()
    assert (found.kept, found.intervals, found.chances, found.brier, found.held_share) == (0, 0, 0, None, None)


def test_the_work_that_follows_a_passing_does_not_undo_it():
    assert score((0.9, 20.0, 60.0, 40.0, 80.0, 45.0)).held == 1
    assert score((0.9, 20.0, 60.0, 45.0, 80.0, 40.0)).intervals == 0


def test_judged_week_by_week_the_share_is_the_one_that_was_said():
    """Days drawn from what was said: at every time the intervals due have held in 80 %."""
    rng = np.random.default_rng(8)
    middle = rng.uniform(20.0, 120.0, 4000)
    day = middle + 12.0 * rng.standard_normal(4000)
    low, high = middle - 1.2816 * 12.0, middle + 1.2816 * 12.0
    for watched in (60.0, 90.0, 140.0):
        passed = np.where(day <= watched, day, INF)
        found = score(*np.column_stack([np.ones(4000), low, high, passed, np.full(4000, watched), np.full(4000, INF)]))
        assert found.intervals > 500
        assert found.held_share == pytest.approx(0.8, abs=0.04)
