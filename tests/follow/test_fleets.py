"""What a chance is worth on fleets that wander, bend or swing: few machines, so that a coarse fall is seen."""

import pytest

from tests.follow.fleets import fleet, follow, score


def test_standing_machines_with_eight_readings_are_not_said_to_cross_as_likely_as_not():
    made = fleet("short still", 60, 21)
    assert score(made, follow(made)).mean_chance < 0.45


def test_eight_readings_say_no_less_than_the_share_that_crosses():
    made = fleet("short", 120, 22)
    told = score(made, follow(made))
    assert told.brier < told.climatology + told.brier_se


def test_a_swing_is_no_drift():
    made = fleet("season", 60, 23)
    told = score(made, follow(made))
    assert told.brier < 0.10
    assert told.mean_chance == pytest.approx(told.seen, abs=0.10)


def test_a_walk_is_foretold_wider_than_a_line():
    made = fleet("wander", 80, 24)
    told = score(made, follow(made))
    # A straight line's interval holds 0.3 to 0.45 of them.
    assert told.coverage > 0.50
