"""The simulated beds show what their truth says, and the same every time."""

from datetime import UTC, datetime

import numpy as np
import pytest

from farmwatch.demo.beds import DAY, BedSeries, bed_series
from farmwatch.demo.cases import farm_truth
from farmwatch.demo.farm import AISLES, MODELS
from farmwatch.demo.run import FEWEST_WEEKS
from farmwatch.demo.truth import MachineTruth
from tests.demo.expected import expected_of

END = datetime(2026, 11, 23, 6, tzinfo=UTC)
FARM = {machine.name: machine for machine in farm_truth(27)}


def _series(name: str, weeks: int = 26, seed: int = 1) -> BedSeries:
    return bed_series(FARM[name], END, weeks, seed)


def _before(series: BedSeries) -> np.ndarray:
    return (END.timestamp() - series.taken_at) / DAY


def test_the_shortest_history_has_meshes_of_every_bed() -> None:
    assert min(_series(name, weeks=FEWEST_WEEKS).taken_at.size for name in FARM) >= 3


@pytest.mark.parametrize("name", sorted(FARM))
def test_meshes_stand_in_time_order_over_the_whole_history(name: str) -> None:
    series = _series(name, weeks=8)
    assert (np.diff(series.taken_at) > 3600).all()
    before = _before(series)
    assert 54 < before[0] <= 56
    assert series.z.shape == (before.size, series.y.size, series.x.size)
    assert np.isfinite(series.z).all()
    assert len(series.plate) == len(series.celsius) == before.size


def test_the_same_seed_gives_the_same_meshes_and_another_gives_others() -> None:
    one, again, other = _series("heron-01"), _series("heron-01"), _series("heron-01", seed=2)
    assert np.array_equal(one.z, again.z)
    assert np.array_equal(one.taken_at, again.taken_at)
    assert one.z.shape != other.z.shape or not np.array_equal(one.z, other.z)


def test_more_machines_change_nothing_for_the_first() -> None:
    more = {machine.name: machine for machine in farm_truth(60)}
    assert all(more[name] == truth for name, truth in FARM.items())


def test_a_jump_drops_the_corner_at_its_screw_by_a_tooth() -> None:
    series = _series("heron-01")
    after = _before(series) <= FARM["heron-01"].bed.lifts[0].days_before
    # The corner stands 10 mm beyond the screw: the plane carries a little more than the tooth there.
    corner = series.z[:, 0, -1]
    fall = np.median(corner[after]) - np.median(corner[~after])
    assert fall == pytest.approx(-0.4 * (1 + 10 / 180), abs=0.02)
    assert after.sum() >= 4


def test_a_sink_moves_at_its_rate_since_it_began() -> None:
    series = _series("plover-01")
    before, corner = _before(series), series.z[:, 0, 0]
    late = before <= 56
    slope = np.polyfit(-before[late] / 7, corner[late], 1)[0]
    assert slope == pytest.approx(-0.015 * (1 + 10 / 180), abs=0.003)
    early = np.polyfit(-before[~late] / 7, corner[~late], 1)[0]
    assert abs(early) < 0.002


def test_a_turned_plate_turns_its_own_form_alone() -> None:
    series = _series("plover-07")
    turned = _before(series) <= 12.0
    # The frame's twist is the same after half a turn of the plate: the corners do not change places.
    before, after = (np.median(series.z[part], axis=0) for part in (~turned, turned))
    assert np.abs(before - after).max() < 0.02


def test_a_misreading_probe_puts_a_point_off_in_every_late_mesh() -> None:
    series = _series("heron-03")
    off = np.ptp(series.z, axis=(1, 2))
    late = _before(series) <= 16.0
    assert off[late].min() > 0.3
    assert np.median(off[~late]) < 0.1


def test_cold_meshes_are_cold_and_others_warm() -> None:
    series = _series("plover-05")
    cold = _before(series) <= 2.5
    assert cold.any()
    assert series.celsius[cold].max() < 25 < 55 < series.celsius[~cold].min()


def test_nobody_probes_a_forgotten_bed() -> None:
    assert _before(_series("avocet-06")).min() >= 21.0


def test_another_plate_brings_its_name_and_form() -> None:
    series = _series("heron-06")
    new = _before(series) <= 28.0
    assert {series.plate[i] for i in np.flatnonzero(new)} == {"B"}
    assert {series.plate[i] for i in np.flatnonzero(~new)} == {"A"}


def test_newest_is_the_last_one_taken() -> None:
    series = _series("heron-02", weeks=2)
    assert series.newest(series.taken_at[0] - 1) is None
    assert series.newest(series.taken_at[3]) == 3
    assert series.newest(series.taken_at[3] - 1) == 2
    assert series.newest(np.inf) == series.taken_at.size - 1


def test_the_farm_has_three_aisles_and_what_a_demo_must_show() -> None:
    farm = tuple(FARM.values())
    assert {machine.aisle for machine in farm} == set(AISLES)
    assert len({machine.mapping for machine in farm}) >= 4
    assert len({machine.model for machine in farm}) >= 2
    assert [machine.name for machine in farm_truth(27)] == sorted(FARM, key=lambda n: (AISLES.index(n[:-3]), n))
    causes = {expected_of(machine.name).cause for machine in farm}
    assert {"none", "screws", "plate", "both", "frame", "probe"} <= causes


def _screws_named(truth: MachineTruth) -> set[str]:
    bed, expected = truth.bed, expected_of(truth.name)
    named = set(bed.stands_mm) | {lift.screw for lift in bed.lifts} | {sink.screw for sink in bed.sinks}
    return named | set(expected.teeth or {}) | {step.screw for step in expected.steps if step.screw}


@pytest.mark.parametrize("name", sorted(FARM))
def test_every_truth_names_screws_that_its_model_has(name: str) -> None:
    """A misspelt screw would move nothing and prove nothing."""
    assert _screws_named(FARM[name]) <= {screw.name for screw in MODELS[FARM[name].model].screws}
