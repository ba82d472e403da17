"""Synthetic histories: what the recipe says is what is in them, and the truth says so."""

from datetime import UTC, datetime

import numpy as np
import pytest

from farmwatch.demo import bent, correlated
from farmwatch.measure import least_squares_plane, screw_heights
from tests.synthetic import Band, Gap, Jump, Plate, Recipe, dropped, make_history, tideframe

SCREWS = tideframe().screws_xy
QUIET = {"noise_mm": 0.0, "point_noise_mm": 0.0}


def make(seed=1, model=None, **recipe):
    return make_history("heron-01", model or tideframe(), Recipe(**recipe), np.random.default_rng(seed))


def heights(history):
    (stack,) = history.stacks
    return screw_heights(least_squares_plane(stack.x, stack.y, stack.z), SCREWS, 2, 1.0).relative


def test_the_same_generator_gives_the_same_history():
    one, other = make(readings=20), make(readings=20)
    assert np.array_equal(one.history.stacks[0].z, other.history.stacks[0].z)
    assert np.array_equal(one.history.taken_at, other.history.taken_at)


def test_drift_and_jumps_are_in_the_heights():
    flat = (Plate(0, None, "flat", 0.0),)
    made = make(
        readings=30, plates=flat, drift_mm_per_week={"front-left": 0.07, "rear": 0.007},
        jumps=(Jump(12, "rear", 0.4, 1),), **QUIET,
    )  # fmt: skip
    u, days = heights(made.history), made.truth.days
    assert u[:, 0] == pytest.approx(0.009 * days - 0.4 * (np.arange(30) >= 12), abs=1e-9)
    assert u[:, 1] == pytest.approx(-0.001 * days - 0.4 * (np.arange(30) >= 12), abs=1e-9)
    assert made.truth.mm_per_week == pytest.approx({"front-left": 0.063, "front-right": -0.007})
    (step,) = made.truth.steps
    assert (step.reading, step.screw, step.teeth) == (12, "rear", 1)
    assert step.at.timestamp() == made.history.taken_at[12]


@pytest.mark.parametrize("tail", [None, 4.0])
def test_noise_has_the_sd_and_the_correlation_asked_for(tail):
    noise = correlated(60_000, 1, 0.5, np.random.default_rng(2), tail)[:, 0]
    assert noise.std() == pytest.approx(1.0, rel=0.05)
    assert np.corrcoef(noise[1:], noise[:-1])[0, 1] == pytest.approx(0.5, abs=0.03)


def test_plates_lie_turned_and_frames_stay():
    plates = (Plate(0, "A", "corner", 0.2), Plate(3, "A", "corner", 0.2, turned=True))
    made = make(readings=6, plates=plates, frame=("edge", 0.1), **QUIET)
    z, x = made.history.stacks[0].z, made.truth.x
    level = z - z.mean(axis=(1, 2), keepdims=True)
    wanted = 0.2 * bent("corner", x, x)[::-1, ::-1] + 0.1 * bent("edge", x, x)
    assert level[4] == pytest.approx(wanted - wanted.mean(), abs=1e-9)
    assert [step.plate for step in made.truth.steps] == [True]


@pytest.mark.parametrize(
    "kind", ["bowl", "dome", "saddle", "twist", "ridge", "wave", "corner", "edge", "s-bend", "fan"]
)
def test_bent_surfaces_are_one_high(kind):
    axis = np.linspace(10, 210, 7)
    assert np.ptp(bent(kind, axis, axis)) == pytest.approx(1.0)


def test_bands_gaps_and_grids():
    made = make(
        readings=40, bands=(Band(60.0), Band(90.0, 1.0, {"front-left": 0.1})), gaps=(Gap(10, 50.0),),
        grids=((5, 5, 0.5), (7, 7, 1.0)), irregular=0.0,
    )  # fmt: skip
    assert made.truth.days[10] - made.truth.days[9] == pytest.approx(51.0)
    assert [stack.z.shape for stack in made.history.stacks] == [(20, 5, 5), (20, 7, 7)]
    hot = made.truth.band == 1
    assert made.history.bed_celsius[hot].min() > 80 > made.history.bed_celsius[~hot].max()


def test_spikes_are_where_the_truth_says():
    made = make(readings=60, spiking_share=0.2, plates=(Plate(0, None, "flat", 0.0),))
    (stack,) = made.history.stacks
    form = least_squares_plane(stack.x, stack.y, stack.z).residuals
    assert np.array_equal(np.abs(form).max(axis=(1, 2)) > 0.1, made.truth.spiking)
    assert made.truth.spiking.any()


def test_the_day_of_crossing_is_that_of_the_noiseless_range():
    made = make(readings=30, drift_mm_per_week={"front-left": 0.02}, plates=(Plate(0, None, "bowl", 0.05),))
    day = made.truth.crosses_after(0.2)
    assert made.truth.range_mm(day) == pytest.approx(0.2, abs=1e-4)
    assert made.truth.range_mm(day - 0.5) < 0.2
    assert made.truth.crosses_after(0.01) == 0.0
    assert make(readings=30).truth.crosses_after(0.2) is None


def test_an_end_can_be_set():
    end = datetime(2026, 11, 23, 6, tzinfo=UTC)
    assert make(readings=30, end=end).history.taken_at[-1] == end.timestamp()


def test_dropping_readings_keeps_the_truth_in_step():
    made = make(readings=100, jumps=(Jump(50, "front-left", 0.4, 1),))
    less = dropped(made, 0.3, np.random.default_rng(1))
    assert 55 < len(less.history) < 85
    (step,) = less.truth.steps
    assert less.history.taken_at[step.reading] == step.at.timestamp()
    assert less.history.taken_at[step.reading - 1] < made.history.taken_at[50] <= less.history.taken_at[step.reading]
    assert less.truth.days.size == len(less.history)


@pytest.mark.parametrize("screws", [2, 3, 4])
def test_models_with_two_three_and_four_screws(screws):
    model = tideframe(screws=screws)
    assert len(model.screws) == screws
    assert model.tooth_step_mm == 0.4
    assert len(make(model=model, readings=5).history) == 5
