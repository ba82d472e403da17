"""The verdict of the probings after a repair."""

import numpy as np
import pytest

from farmwatch.tickets.proving import RepairVerdict, judge_repair

HOUR = 3600.0


def verdict(ranges: list[float], hours: list[float] | None = None, **changes: object) -> RepairVerdict:
    n = len(ranges)
    at = np.array(hours if hours is not None else [2.0 * (i + 1) for i in range(n)]) * HOUR
    given: dict[str, object] = {
        "since": 0.0, "usable_mm": 0.2, "predicted_mm": 0.12, "sd_mm": 0.01, "band_celsius": 60.0, "probings": 2,
    }  # fmt: skip
    celsius = changes.pop("celsius", np.full(n, 60.0))
    judged = changes.pop("judged", np.ones(n, dtype=bool))
    return judge_repair(at, np.array(ranges), celsius, judged, **{**given, **changes})  # type: ignore[arg-type]


def test_two_good_probings_prove_it() -> None:
    assert verdict([0.1]).says == "waiting"
    assert verdict([0.1, 0.19]).says == "proven"
    assert not verdict([0.1, 0.19]).at_tooth_floor


def test_one_probing_over_the_bound_sends_it_back() -> None:
    found = verdict([0.1, 0.21])
    assert (found.says, found.index) == ("came-back", (0, 1))


def test_the_predicted_floor_and_its_noise_are_good_enough() -> None:
    """A machine at its tooth floor closes as proven, as good as teeth allow."""
    found = verdict([0.25, 0.26], predicted_mm=0.24)
    assert (found.says, found.at_tooth_floor) == ("proven", True)
    assert verdict([0.25, 0.27], predicted_mm=0.24).says == "came-back"


def test_probings_before_it_and_within_the_hour_do_not_count() -> None:
    assert verdict([0.1, 0.1], hours=[-1.0, 2.0]).says == "waiting"
    assert verdict([0.1, 0.1, 0.1], hours=[1.0, 1.5, 1.9]).says == "waiting"
    assert verdict([0.1, 0.1, 0.1], hours=[1.0, 1.5, 2.0]).index == (0, 2)


@pytest.mark.parametrize(("celsius", "says"), [(25.0, "waiting"), (68.0, "proven"), (np.nan, "proven")])
def test_only_the_same_temperature_band_speaks(celsius: float, says: str) -> None:
    assert verdict([0.1, 0.1], celsius=np.array([celsius, celsius])).says == says


def test_what_is_not_judged_does_not_speak() -> None:
    assert verdict([0.9, 0.1, 0.1], judged=np.array([False, True, True])).says == "proven"


def test_the_farm_says_how_many() -> None:
    assert verdict([0.1] * 2, probings=3).says == "waiting"
    assert verdict([0.1] * 3, probings=3).says == "proven"


def test_what_did_not_count_is_kept_with_its_reason() -> None:
    found = verdict(
        [0.1, 0.1, 0.1, 0.1],
        hours=[1.0, 1.5, 3.0, 4.5],
        celsius=np.array([60.0, 60.0, 25.0, 60.0]),
        judged=np.array([True, True, True, False]),
    )
    assert found.index == (0,)
    assert found.passed_over == ((1, "too-soon"), (2, "other-band"), (3, "not-judged"))
