"""Readings of one day as one occasion, where days differ by more than readings do."""

import numpy as np
import pytest

from farmwatch.follow import follow_fleet
from farmwatch.follow.occasions import first_readings
from farmwatch.measure import measure_histories
from tests.benchmarks import bench_follow_occasions as bench


def bunches(rng, days=20, size=8, apart=14.0):
    return np.concatenate([apart * k + np.sort(rng.uniform(0.0, 0.3, size)) for k in range(days)])


@pytest.mark.parametrize("seed", range(5))
def test_days_that_differ_by_more_than_their_readings_count_each_as_one(seed):
    rng = np.random.default_rng(seed)
    t = bunches(rng)
    u = np.repeat(rng.normal(0.0, 0.015, (20, 2)), 8, axis=0) + rng.normal(0.0, 0.003, (160, 2))
    assert first_readings(t, u, np.zeros(160, dtype=int)).tolist() == list(range(0, 160, 8))


@pytest.mark.parametrize("seed", range(5))
def test_readings_that_differ_as_much_within_a_day_count_each(seed):
    rng = np.random.default_rng(seed)
    t = bunches(rng)
    assert first_readings(t, rng.normal(0.0, 0.008, (160, 2)), np.zeros(160, dtype=int)) is None


def test_one_reading_a_day_is_one_reading():
    rng = np.random.default_rng(1)
    u = rng.normal(0.0, 0.01, (100, 2))
    assert first_readings(np.arange(100.0), u, np.zeros(100, dtype=int)) is None


def test_another_plate_or_a_work_in_between_begins_another_occasion():
    rng = np.random.default_rng(1)
    t = bunches(rng)
    u = np.repeat(rng.normal(0.0, 0.015, (20, 2)), 8, axis=0) + rng.normal(0.0, 0.003, (160, 2))
    kind = (np.arange(160) >= 84).astype(int)
    assert 84 in first_readings(t, u, kind)


def test_bunches_of_readings_make_no_steps_and_hide_none():
    told = {
        figure.name.split(": ")[1].split(" (of")[0]: figure.value
        for figure in bench.bunched(40, 1, "10 a day, weeks apart", 0.015, 0.002)
    }
    assert told["false steps a machine-year"] <= 0.1
    assert told["jumps found and named right"] >= 0.9
    assert 0.66 <= told["10-90 % interval holds the true day"] <= 0.94


def test_a_drift_over_days_says_on_how_many_readings_it_rests():
    rng = np.random.default_rng(3)
    history = bench.play(rng, bunches(rng) - 290.0, day_sd=0.015, reading_sd=0.002)
    measured = measure_histories([history], [bench.MODEL], bench.END)
    (found,) = follow_fleet(measured, bench.LIMITS, bench.END, [np.random.default_rng(1)])
    assert found.drift.readings == 160
