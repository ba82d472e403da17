from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from farmwatch.judge.condition import find_condition
from farmwatch.model import Limits

LIMITS = Limits()
SD = 0.01
DAY = 86400.0


def found(ranges: list[float], hours: list[float] | None = None, sd: float = SD):
    times = np.arange(len(ranges)) * DAY if hours is None else np.array(hours) * 3600.0
    return find_condition(times, np.array(ranges, dtype=float), sd, LIMITS)


class TestFirstReading:
    @pytest.mark.parametrize(
        ("range_mm", "condition", "confirmed"),
        [
            (0.04, "ideal", True),
            (0.09, "ideal", False),
            (0.10, "ideal", False),
            (0.12, "usable", False),
            (0.20, "usable", False),
            (0.22, "past-limit", False),
            (0.26, "past-limit", True),
            (2.8, "past-limit", True),
        ],
    )
    def test_sets_it_and_confirms_it_only_far_from_a_limit(
        self, range_mm: float, condition: str, confirmed: bool
    ) -> None:
        finding = found([range_mm])
        assert (finding.condition, finding.confirmed, finding.since) == (condition, confirmed, 0.0)

    def test_nothing_judgeable_ever(self) -> None:
        finding = found([])
        assert (finding.condition, finding.confirmed, finding.since) == ("unknown", False, None)

    def test_a_noisy_machine_needs_more_than_0_05_mm(self) -> None:
        assert not found([0.26], sd=0.02).confirmed
        assert found([0.29], sd=0.02).confirmed


class TestChange:
    def test_one_reading_just_past_changes_nothing(self) -> None:
        finding = found([0.05, 0.05, 0.22])
        assert finding.condition == "usable"  # more than 0.05 mm past the ideal limit, not past the usable one
        assert not finding.newest_agrees
        assert finding.newest_agrees_on_ideal

    def test_a_reading_at_the_very_limit_is_within_it(self) -> None:
        at_ideal, at_usable = found([0.15, 0.15, LIMITS.ideal_mm]), found([0.4, 0.4, LIMITS.usable_mm])
        assert (at_ideal.newest_agrees_on_ideal, at_usable.newest_agrees) == (False, False)

    def test_one_reading_just_within_the_ideal_limit_changes_nothing_and_disagrees(self) -> None:
        finding = found([0.15, 0.15, 0.06])
        assert (finding.condition, finding.newest_agrees, finding.newest_agrees_on_ideal) == ("usable", True, False)
        assert found([0.15, 0.15, 0.06, 0.06]).condition == "ideal"

    def test_two_in_a_row_an_hour_apart_change_it_since_the_first_of_them(self) -> None:
        finding = found([0.15, 0.15, 0.22, 0.22])
        assert (finding.condition, finding.confirmed, finding.since) == ("past-limit", True, 2 * DAY)

    def test_two_within_the_hour_are_one_probing(self) -> None:
        assert found([0.15, 0.15, 0.22, 0.22], [0, 24, 48, 48.9]).condition == "usable"
        assert found([0.15, 0.15, 0.22, 0.22, 0.22], [0, 24, 48, 48.9, 49.0]).condition == "past-limit"

    def test_two_that_are_not_in_a_row_change_nothing(self) -> None:
        assert found([0.15, 0.22, 0.19, 0.22, 0.19]).condition == "usable"

    def test_one_far_past_changes_it_at_once(self) -> None:
        finding = found([0.05, 0.05, 0.8])
        assert (finding.condition, finding.confirmed, finding.since) == ("past-limit", True, 2 * DAY)

    def test_the_same_holds_on_the_way_down(self) -> None:
        assert found([0.8, 0.8, 0.19]).condition == "past-limit"
        assert found([0.8, 0.8, 0.19, 0.19]).condition == "usable"
        assert found([0.8, 0.8, 0.04]).condition == "ideal"

    def test_the_same_holds_for_the_ideal_limit(self) -> None:
        assert found([0.08, 0.08, 0.14]).condition == "ideal"
        finding = found([0.08, 0.08, 0.14, 0.14])
        assert (finding.condition, finding.since) == ("usable", 2 * DAY)

    def test_a_first_reading_is_confirmed_by_the_next(self) -> None:
        finding = found([0.22, 0.22])
        assert (finding.condition, finding.confirmed, finding.since) == ("past-limit", True, 0.0)

    def test_since_usable_is_when_it_came_back_under_the_limit(self) -> None:
        assert found([0.8, 0.8, 0.15]).since == 2 * DAY

    # Fewer than a block of 32, from which on ranges that jump about are weighed with the noise that they show.
    @given(st.lists(st.floats(0.0, 0.5), min_size=1, max_size=29), st.floats(0.001, 0.03))
    @settings(max_examples=80, deadline=None)
    def test_the_newest_readings_decide_once_they_agree_for_an_hour(self, ranges: list[float], sd: float) -> None:
        finding = found([*ranges, 0.3, 0.3], sd=sd)
        assert (finding.condition, finding.confirmed) == ("past-limit", True)
        assert found([*ranges, 0.01, 0.01], sd=sd).condition == "ideal"
