"""Steps: found, sized, named; suspected ones apart."""

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from farmwatch.follow.steps import find_steps
from farmwatch.history import Note, Work
from tests.follow.fleets import fleet
from tests.follow.fleets import follow as swinging
from tests.synthetic import Band, Jump, Plate, tideframe

TOOTH = 0.4


def only(followed):
    (step,) = followed.steps
    return step


@pytest.mark.parametrize("teeth", [-2, -1, 1, 3])
@pytest.mark.parametrize("screw", ["front-left", "front-right", "rear"])
def test_a_tooth_jump_is_named_with_screw_teeth_and_way(play, follow, screw, teeth):
    made = play(jumps=(Jump(60, screw, teeth * TOOTH, teeth),), spiking_share=0.02)
    step = only(follow(made))
    assert (step.at, step.name, step.screw, step.teeth) == (made.truth.steps[0].at, "tooth-jump", screw, teeth)
    assert step.mm == pytest.approx(teeth * TOOTH, abs=4 * step.sd_mm)
    assert step.sd_mm < 0.01


@pytest.mark.parametrize(
    ("screws", "screw"), [(2, "left"), (4, "front-left"), (4, "front-right"), (4, "rear-right"), (4, "rear-left")]
)
def test_two_and_four_screws(play, follow, screws, screw):
    model = tideframe(screws=screws)
    made = play(model=model, jumps=(Jump(50, screw, TOOTH, 1),))
    step = only(follow(made))
    assert step.at == made.truth.steps[0].at
    # A line and a plane do not tell a screw up from the one across down: both are named, the movable one first.
    across = {
        "left": "right", "front-left": "rear-right", "rear-right": "front-left", "rear-left": "front-right",
        "front-right": "rear-left",
    }  # fmt: skip
    reference = model.screws[model.reference_index].name
    named, other, teeth = (screw, across[screw], 1) if screw != reference else (across[screw], screw, -1)
    assert (step.name, {step.screw, *(name for name, _ in step.also)}) == ("tooth-jump", {named, other})
    assert step.screw != reference
    assert step.teeth == (teeth if step.screw == named else -teeth)
    assert [turned for _, turned in step.also] == [-step.teeth]
    assert abs(step.mm) == pytest.approx(TOOTH, abs=0.03)


def test_half_a_tooth_is_a_shift(play, follow):
    step = only(follow(play(jumps=(Jump(60, "front-left", TOOTH / 2),))))
    assert (step.name, step.screw, step.teeth) == ("shift", "front-left", None)


@pytest.mark.parametrize(("off", "name", "teeth"), [(0.07, "tooth-jump", 2), (0.115, "shift", None)])
def test_further_than_a_quarter_tooth_from_whole_teeth_is_a_shift(play, follow, off, name, teeth):
    """Two teeth of a step known to 5 %: three sd reach 0.12 mm, a quarter step ends the name at 0.10 mm."""
    step = only(follow(play(jumps=(Jump(60, "front-left", 2 * TOOTH + off),), readings=140)))
    assert (step.name, step.teeth) == (name, teeth)
    assert step.sd_mm < 0.006


def test_two_screws_at_once_are_no_tooth_jump(play, follow):
    made = play(jumps=(Jump(60, "front-left", 0.4), Jump(60, "front-right", -0.15)))
    step = only(follow(made))
    assert (step.name, step.screw) == ("shift", None)


@pytest.mark.parametrize(("stirred", "name"), [(0.018, "tooth-jump"), (0.08, "shift")])
def test_a_jump_may_stir_the_other_screw_a_little(play, follow, stirred, name):
    """A long quiet record knows the other screw to a few µm, and would call every such jump a shift."""
    made = play(readings=140, noise_mm=0.003, jumps=(Jump(70, "front-left", 0.4), Jump(70, "front-right", stirred)))
    assert only(follow(made)).name == name


def test_without_a_known_tooth_step_it_is_a_shift(play, follow):
    model = replace(tideframe(), lead_mm=None)
    step = only(follow(play(jumps=(Jump(60, "front-left", TOOTH),)), model))
    assert (step.name, step.screw, step.teeth) == ("shift", "front-left", None)


def test_screws_that_turn_freely_jump_no_teeth(play, follow):
    step = only(follow(play(jumps=(Jump(60, "front-left", TOOTH),)), replace(tideframe(), drive="free")))
    assert step.name == "shift"


def test_a_learned_tooth_step_takes_the_place_of_the_nominal(play, follow):
    made = play(jumps=(Jump(60, "front-left", 0.25, 1),))
    assert only(follow(made)).name == "shift"
    step = only(follow(made, tooth=(0.25, 0.005)))
    assert (step.name, step.teeth) == ("tooth-jump", 1)


def test_work_of_a_ticket_makes_it_a_repair(play, follow):
    made = play(jumps=(Jump(60, "front-left", TOOTH, 1),))
    before, after = (datetime.fromtimestamp(float(made.history.taken_at[i]), UTC) for i in (59, 60))
    work = Work(ticket=1, start=before + (after - before) * 0.2, end=before + (after - before) * 0.5)
    assert only(follow(replace(made.history, works=(work,)))).name == "repair"


def test_a_repair_with_two_readings_after_it_is_known_at_once(play, follow):
    made = play(readings=62, jumps=(Jump(60, "front-left", TOOTH, 1),))
    before, after = (datetime.fromtimestamp(float(made.history.taken_at[i]), UTC) for i in (59, 60))
    work = Work(ticket=1, start=before + (after - before) * 0.2, end=before + (after - before) * 0.5)
    followed = follow(replace(made.history, works=(work,)))
    assert only(followed).name == "repair"
    assert followed.suspected_step is None
    assert followed.drift is None


@pytest.mark.parametrize("what", ["belt", "pulley", "moved"])
def test_a_note_by_hand_starts_a_new_segment_and_covers_a_step(play, follow, what):
    made = play(jumps=(Jump(60, "front-left", 0.05),))
    at = datetime.fromtimestamp(float(made.history.taken_at[60]) - 60.0, UTC)
    followed = follow(replace(made.history, notes=(Note(machine="heron-01", at=at, what=what),)))
    assert only(followed).name == "repair"
    assert followed.drift.since == made.truth.steps[0].at


@pytest.mark.parametrize("what", ["nozzle", "other", "probe"])
def test_other_notes_change_nothing(play, follow, what):
    made = play()
    at = datetime.fromtimestamp(float(made.history.taken_at[60]) - 60.0, UTC)
    noted = follow(replace(made.history, notes=(Note(machine="heron-01", at=at, what=what),)))
    plain = follow(made)
    assert (noted.steps, noted.drift, noted.forecast) == (plain.steps, plain.drift, plain.forecast)


@pytest.mark.parametrize("kind", ["bowl", "twist", "corner"])
@pytest.mark.parametrize("name", [None, "B"])
def test_another_form_is_a_plate_change(play, follow, kind, name):
    first = None if name is None else "A"
    made = play(plates=(Plate(0, first, "dome", 0.04), Plate(55, name, kind, 0.12)), spiking_share=0.02)
    step = only(follow(made))
    assert (step.at, step.name) == (made.truth.steps[0].at, "plate-change")


def test_a_step_where_the_band_changes_is_no_step(play, follow, segmented):
    cold, hot = Band(50.0, 0.5), Band(90.0, 0.5, {"front-left": 0.15, "front-right": -0.1})
    made = play(bands=(cold, hot), band_run=25, readings=100)
    assert follow(made).steps == ()
    assert len(segmented(made).series[0].celsius) == 2


def test_a_jump_is_found_across_bands(play, follow):
    bands = (Band(50.0, 0.5), Band(90.0, 0.5, {"front-left": 0.15}))
    made = play(bands=bands, jumps=(Jump(60, "front-right", TOOTH, 1),), seed=4)
    step = only(follow(made))
    assert (step.at, step.screw, step.teeth) == (made.truth.steps[0].at, "front-right", 1)


@pytest.mark.parametrize("left", [1, 2])
def test_a_stand_off_in_the_last_readings_is_suspected_only(play, follow, left):
    made = play(readings=80, jumps=(Jump(80 - left, "front-right", -TOOTH, -1),))
    followed = follow(made)
    assert followed.steps == ()
    step = followed.suspected_step
    assert (step.at, step.name, step.screw, step.teeth) == (
        made.truth.steps[0].at, "tooth-jump", "front-right", -1,
    )  # fmt: skip
    assert followed.forecast is None


def test_three_readings_make_it_a_step(play, follow):
    made = play(readings=80, jumps=(Jump(77, "front-right", -TOOTH, -1),))
    followed = follow(made)
    assert only(followed).at == made.truth.steps[0].at
    assert followed.suspected_step is None


def test_arrays_alone():
    rng = np.random.default_rng(1)
    u = rng.normal(0, 0.008, (80, 2))
    u[30:, 1] += 0.1
    u[12] += np.nan
    (step,) = find_steps(np.arange(80.0), u)
    assert step.first_after == 30
    assert step.mm == pytest.approx([0.0, 0.1], abs=0.01)
    assert np.sqrt(step.covariance[1, 1]) == pytest.approx(0.0037, rel=0.5)
    assert find_steps(np.arange(80.0), u[:, 0]) == []


@pytest.mark.parametrize("n", [0, 1, 2, 5])
def test_arrays_too_short_have_no_steps(n):
    assert find_steps(np.arange(n, dtype=float), np.arange(n, dtype=float)) == []


def test_arrays_that_do_not_fit_are_refused():
    with pytest.raises(ValueError, match="do not fit"):
        find_steps(np.arange(4.0), np.zeros((3, 2)))
    with pytest.raises(ValueError, match="ascend"):
        find_steps(np.array([0.0, 2.0, 1.0]), np.zeros(3))


def _swinging(mm, seed, jump=0.0):
    rng = np.random.default_rng(seed)
    t = np.sort(rng.uniform(0.0, 420.0, 160))
    swing = mm * np.sin(2.0 * np.pi * t / 365.25 + rng.uniform(0.0, 6.28))
    u = swing[:, None] * [0.8, 0.6] + rng.normal(0.0, 0.005, (160, 2))
    u[80:, 0] += jump
    return t, u


@pytest.mark.parametrize(("mm", "seed"), [(0.06, 10), (0.075, 106)])
def test_where_two_lines_through_a_swing_meet_nothing_jumped(mm, seed):
    """Sized from the segments beside it alone, each of these was called a shift."""
    assert find_steps(*_swinging(mm, seed)) == []
    assert [step.first_after for step in find_steps(*_swinging(mm, seed, 0.1))] == [80]


@pytest.mark.long
def test_swinging_machines_do_not_shift():
    made = fleet("season", 120, 41)
    years = sum(float(np.ptp(one.history.taken_at)) for one in made) / (365.25 * 86400.0)
    assert sum(len(found.steps) for found in swinging(made)) / years < 0.02
