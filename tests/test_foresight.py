"""What the farm learns of drift, and what it said of the days to come, judged when they have come."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest

from farmwatch.assess import assess
from farmwatch.config import Settings
from farmwatch.foresight import how_right, keep_forecasts, learn_drift
from farmwatch.store import Store
from farmwatch.store.records import LearnedDrift, SaidForecast
from tests.test_assess import AT, farm, reading

NAMES = [f"heron-{k:02d}" for k in range(1, 11)]
DAY = timedelta(days=1)


def drifting(settings: Settings, until_days_ago: int = 0) -> Store:
    """Every machine sinks by 0.02 mm a week at the front left, from 40 days ago on."""
    store = Store(settings.farm.database)
    store.add_readings(
        [
            reading(name, (-0.02 * (40 - ago) / 7.0, 0.0), ago + 0.1, seed=1000 * k + ago + 100)
            for k, name in enumerate(NAMES)
            for ago in range(40, until_days_ago - 1, -2)
        ]
    )
    return store


@pytest.fixture
def settings(tmp_path: Path) -> Settings:
    return farm(tmp_path, NAMES, hosts=False)


def test_a_farm_learns_once_a_week_and_forecasts_from_what_it_learned(settings: Settings) -> None:
    store = drifting(settings)
    before, yesterday = assess(settings, store, AT), assess(settings, store, AT - DAY)
    [learned] = learn_drift(settings, store, AT)
    assert (learned.model, learned.machines) == ("tideframe-220", 10)
    assert sum(learned.weights.values()) == pytest.approx(1.0)
    assert learn_drift(settings, store, AT + 2 * DAY) == []
    after = assess(settings, store, AT)
    pairs = [(one.forecast, other.forecast) for one, other in zip(before.machines, after.machines, strict=True)]
    assert all(one is not None and other is not None for one, other in pairs)
    assert any(one != other for one, other in pairs)
    # What is said of a time before rests on what was known then.
    again = assess(settings, store, AT - DAY)
    assert [one.forecast for one in again.machines] == [one.forecast for one in yesterday.machines]
    assert store.learned_drift(AT - DAY) == {}
    assert store.learned_drift(AT)["tideframe-220"].weights == learned.weights


def test_weights_of_other_kinds_of_drift_change_nothing(settings: Settings) -> None:
    store = drifting(settings)
    before = assess(settings, store, AT)
    old = LearnedDrift(model="tideframe-220", learned_at=AT - DAY, machines=10, weights={"a kind of old": 1.0})
    store.add_learned_drift([old])
    after = assess(settings, store, AT)
    assert [one.forecast for one in after.machines] == [one.forecast for one in before.machines]


def test_forecasts_are_kept_once_a_week_and_judged_when_their_day_has_come(settings: Settings) -> None:
    store = drifting(settings, until_days_ago=22)
    early = AT - 21 * DAY
    keep_forecasts(store, assess(settings, store, early), "2026-W44")
    keep_forecasts(store, assess(settings, store, early + DAY), "2026-W44")
    said = store.said_forecasts()
    assert [one.machine for one in said] == NAMES
    assert {one.said_at for one in said} == {early}
    assert how_right(store, early).intervals == 0
    # What was foretold comes; and one machine is repaired before.
    later = AT + 60 * DAY
    store.add_readings(
        [
            reading(name, (-0.02 * (40 - ago) / 7.0 * (0.0 if name == NAMES[0] and ago < 15 else 1.0), 0.0), ago + 0.1,
                    seed=1000 * k + ago + 500)
            for k, name in enumerate(NAMES)
            for ago in range(20, -60, -2)
        ]
    )  # fmt: skip
    keep_forecasts(store, assess(settings, store, later), "2027-W03")
    said = [one for one in store.said_forecasts() if one.week == "2026-W44"]
    assert said[0].passed_at is None
    assert said[0].ended_at is not None
    assert all(one.passed_at is not None and one.ended_at is None for one in said[1:])
    # Past the limit nothing is foretold.
    assert {one.machine for one in store.said_forecasts() if one.week == "2027-W03"} == {NAMES[0]}
    found = how_right(store, later)
    assert found.kept == 11
    assert 0 < found.intervals <= 9
    assert how_right(store, early + DAY).intervals == 0


def test_said_forecasts_follow_a_machine_to_its_new_name(settings: Settings) -> None:
    store = Store(settings.farm.database)
    one = SaidForecast(
        machine="heron-01", week="2026-W47", said_at=AT, chance=0.4, p10=20.0, p50=None, p90=None, horizon_days=182
    )
    store.add_said_forecasts([one])
    store.rename("heron-01", "heron-99")
    [kept] = store.said_forecasts(AT)
    assert (kept.machine, kept.chance, kept.p10, kept.p90) == ("heron-99", 0.4, 20.0, None)
    assert store.said_forecasts(AT - DAY) == []
