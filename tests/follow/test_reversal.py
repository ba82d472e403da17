"""Reversal: a half turn tells the plate's form from the machine's, and says what it cannot tell."""

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from farmwatch.demo import bent
from farmwatch.follow.reversal import separate
from farmwatch.history import Note
from farmwatch.measure import flatness
from tests.synthetic import Plate

X = np.linspace(10.0, 210.0, 7)
SIDED = ["corner", "edge", "wave", "s-bend", "fan"]
ODD = ["s-bend", "fan"]
EVEN = ["bowl", "saddle", "twist"]


def size(form):
    """Peak to valley over the least-squares plane."""
    return float(flatness(X, X, form[None]).ls[0])


def turned_at(made, reading):
    at = datetime.fromtimestamp(float(made.history.taken_at[reading]) - 60.0, UTC)
    return replace(made.history, notes=(Note(machine="heron-01", at=at, what="plate", text="turned"),))


@pytest.mark.parametrize("kind", SIDED)
@pytest.mark.parametrize("mm", [0.06, 0.2, 0.4])
@pytest.mark.parametrize("plate", [True, False])
def test_one_bent_part_is_told_and_sized(play, follow, kind, mm, plate):
    own, frame = ((kind, mm), ("flat", 0.0)) if plate else (("flat", 0.0), (kind, mm))
    made = play(readings=20, frame=frame, plates=(Plate(0, None, *own), Plate(12, None, *own, turned=True)))
    found = follow(turned_at(made, 12)).reversal
    true = size(mm * bent(kind, X, X))
    assert found.plate_mm == pytest.approx(true if plate else 0.0, abs=0.03)
    assert found.frame_mm == pytest.approx(0.0 if plate else true, abs=0.03)
    if true > 0.05:
        assert found.verdict == ("plate" if plate else "frame")


@pytest.mark.parametrize("own", ODD)
@pytest.mark.parametrize("frame", ODD)
@pytest.mark.parametrize(("plate_mm", "frame_mm"), [(0.4, 0.1), (0.15, 0.3), (0.25, 0.25)])
def test_two_bent_parts_are_told_apart(play, follow, own, frame, plate_mm, frame_mm):
    plates = (Plate(0, "A", own, plate_mm), Plate(12, "A turned", own, plate_mm, turned=True))
    made = play(readings=20, frame=(frame, frame_mm), plates=plates)
    found = follow(made).reversal
    assert found.plate == "A"
    assert found.plate_mm == pytest.approx(size(plate_mm * bent(own, X, X)), abs=0.03)
    assert found.frame_mm == pytest.approx(size(frame_mm * bent(frame, X, X)), abs=0.03)
    assert found.undecided_mm < 0.03


@pytest.mark.parametrize("kind", EVEN)
def test_what_looks_the_same_both_ways_is_left_undecided(play, follow, kind):
    made = play(readings=20, plates=(Plate(0, None, kind, 0.3), Plate(12, None, kind, 0.3, turned=True)))
    found = follow(turned_at(made, 12)).reversal
    assert found.verdict == "unclear"
    assert found.undecided_mm == pytest.approx(0.3, abs=0.03)
    assert max(found.plate_mm, found.frame_mm) < 0.03


def test_one_reading_in_each_position_is_enough(play, follow):
    plates = (Plate(0, None, "corner", 0.3), Plate(1, None, "corner", 0.3, turned=True))
    made = play(readings=2, plates=plates, point_noise_mm=0.003)
    found = follow(turned_at(made, 1)).reversal
    assert found.verdict == "plate"
    assert found.plate_mm == pytest.approx(size(0.3 * bent("corner", X, X)), abs=0.03)


def test_flat_is_neither(play, follow):
    made = play(readings=20, plates=(Plate(0, None, "flat", 0.0),))
    assert follow(turned_at(made, 12)).reversal.verdict == "neither"


def test_never_turned_or_another_plate_tells_nothing(play, follow):
    assert follow(play()).reversal is None
    plates = (Plate(0, "A", "corner", 0.3), Plate(50, "B turned", "corner", 0.3, turned=True))
    followed = follow(play(plates=plates))
    assert followed.reversal is None


def test_plate_and_frame_add_up_to_what_was_read():
    rng = np.random.default_rng(1)
    straight, turned = rng.normal(0, 0.1, (7, 7)), rng.normal(0, 0.1, (7, 7))
    plate, frame, undecided = separate(X, X, straight, turned)
    total, mean = plate + frame + undecided, (straight + turned) / 2
    # What is odd in the difference is the plate's alone; what is even in it is noise, and nobody's.
    difference = (straight - turned) / 2
    odd = (difference - difference[::-1, ::-1]) / 2
    assert size(total - mean - odd) == pytest.approx(0.0, abs=1e-9)


def test_a_plate_turned_about_a_point_off_the_grid_loses_its_unpaired_points():
    plate, _, _ = separate(X, X, bent("corner", X, X), bent("corner", X, X)[::-1, ::-1], (127.0, 110.0))
    assert np.isnan(plate[:, 0]).all()
    assert np.isfinite(plate[:, -1]).all()
    assert separate(X, X, np.zeros((7, 7)), np.zeros((7, 7)), (205.0, 205.0)) is None
