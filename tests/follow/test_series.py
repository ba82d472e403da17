"""Series: bands, plates, and what is judged and followed."""

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from farmwatch.follow.series import gather, temperature_bands
from farmwatch.history import Note
from farmwatch.measure import least_squares_plane, measure_histories, screw_heights
from tests.synthetic import Plate, tideframe


def gathered(history):
    at = datetime.fromtimestamp(float(history.taken_at[-1]), UTC)
    return gather(measure_histories([history], [tideframe()], at))[0]


def test_bands_split_at_gaps_over_ten_degrees():
    celsius = np.array([60.0, 95.0, 62.0, 71.0, np.nan, 94.0, 84.9])
    band, means = temperature_bands(celsius, np.ones(7, dtype=bool))
    assert band.tolist() == [0, 1, 0, 0, 2, 1, 1]
    assert means == pytest.approx((64.333, 91.3, np.nan), abs=1e-3, nan_ok=True)


@pytest.mark.parametrize(("warmer", "bands"), [(70.0, 1), (70.1, 2)])
def test_a_gap_of_ten_degrees_is_one_band_and_more_is_two(warmer, bands):
    band, _ = temperature_bands(np.array([60.0, 60.0, warmer, warmer]), np.ones(4, dtype=bool))
    assert len(set(band.tolist())) == bands


def test_no_temperature_is_a_band_of_its_own_and_the_only_one_where_none_is_known():
    band, means = temperature_bands(np.full(3, np.nan), np.ones(3, dtype=bool))
    assert band.tolist() == [0, 0, 0]
    assert np.isnan(means).all()


def test_a_cold_reading_that_is_not_used_makes_no_band():
    band, means = temperature_bands(np.array([20.0, 60.0, 61.0]), np.array([False, True, True]))
    assert band.tolist() == [0, 0, 0]
    assert means == pytest.approx((60.5,))


def test_screw_heights_are_those_of_the_planes(play):
    made = play(readings=12)
    z = made.history.stacks[0].z
    x = made.history.stacks[0].x
    plane = least_squares_plane(x, x, z)
    screws = tideframe().screws_xy
    series = gathered(made.history)
    assert series.measured.u == pytest.approx(screw_heights(plane, screws, 2, 1.0).relative[:, :2], abs=1e-12)
    assert series.measured.range_mm == pytest.approx(np.ptp(z.reshape(12, -1), axis=1))


def test_spikes_move_no_screw_but_stay_in_the_range(play):
    plain, spiked = (gathered(play(readings=40, spiking_share=s).history) for s in (0.0, 0.3))
    assert np.abs(plain.measured.u).max() < 0.05
    assert np.abs(spiked.measured.u).max() < 0.05
    assert spiked.measured.range_mm.max() > 0.25


def test_plates_and_turns_are_counted(play):
    made = play(readings=12, plates=(Plate(0, "A"), Plate(4, "A turned", turned=True), Plate(8, "B")))
    series = gathered(made.history)
    assert series.plate_epoch.tolist() == [0] * 4 + [1] * 4 + [2] * 4
    assert series.turned.tolist() == [False] * 4 + [True] * 4 + [False] * 4


def test_turned_twice_lies_straight_again(play):
    made = play(readings=12)
    at = [datetime.fromtimestamp(float(made.history.taken_at[i]) - 1.0, UTC) for i in (4, 8)]
    notes = tuple(Note(machine="heron-01", at=t, what="plate", text="Turned, half round") for t in at)
    words = tuple(Note(machine="heron-01", at=t, what="plate", text="plate turned") for t in at)
    assert gathered(replace(made.history, notes=words)).turned.tolist() == [False] * 4 + [True] * 4 + [False] * 4
    assert gathered(replace(made.history, notes=notes)).turned.tolist() == [False] * 4 + [True] * 4 + [False] * 4
