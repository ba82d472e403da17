"""Following as a whole: what is told and why not, bad input, and that company and order do not matter."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from farmwatch.follow.findings import HistoryFindings
from farmwatch.follow.fleet import follow_fleet
from farmwatch.follow.forms import forms_of
from farmwatch.history import History, Note, OutOfService, Reading
from farmwatch.measure import measure_histories
from farmwatch.mesh import Mesh
from farmwatch.model import Limits
from tests.synthetic import Band, Jump, Plate, Recipe, make_history, tideframe

MODEL = tideframe()
START = datetime(2026, 1, 5, 6, tzinfo=UTC)
AXIS = np.linspace(10.0, 210.0, 5)


def time_of(history, i):
    return datetime.fromtimestamp(float(history.taken_at[i]), UTC)


def readings_of(history):
    return [
        Reading(
            machine=history.machine, taken_at=time_of(history, i), seen_at=time_of(history, i), time_from="host",
            mesh=history.mesh(i),
            bed_celsius=None if np.isnan(history.bed_celsius[i]) else float(history.bed_celsius[i]),
            plate=history.plate[i],
        )
        for i in range(len(history))
    ]  # fmt: skip


def flat(days, z=None, n=None):
    """A history of meshes at these days."""
    rng = np.random.default_rng(3)
    return History.of(
        "heron-01",
        [
            Reading(
                machine="heron-01",
                taken_at=START + timedelta(days=float(day)),
                seen_at=START + timedelta(days=float(day)),
                time_from="file",
                mesh=Mesh(AXIS, AXIS, rng.normal(0, 0.005, (5, 5)) if z is None else z),
            )
            for day in days
        ],
    )


def same(one, other, tolerance=1e-9):
    assert [(s.at, s.name, s.screw, s.teeth) for s in one.steps] == [
        (s.at, s.name, s.screw, s.teeth) for s in other.steps
    ]
    assert (one.drift is None) == (other.drift is None)
    if one.drift is not None:
        assert list(one.drift.mm_per_week.values()) == pytest.approx(
            list(other.drift.mm_per_week.values()), abs=tolerance
        )
    assert (one.forecast is None) == (other.forecast is None)
    if one.forecast is not None:
        assert one.forecast.chance == pytest.approx(other.forecast.chance, abs=0.005)


@pytest.fixture(scope="module")
def farm():
    """A mixed fleet: lengths, screws, bands and grids differ."""
    rng = np.random.default_rng(11)
    made = []
    for i in range(14):
        model = tideframe(screws=(3, 2, 4)[i % 3] if i % 5 == 0 else 3)
        names = [model.screws[k].name for k in model.movable]
        recipe = Recipe(
            readings=int(rng.integers(4, 90)),
            drift_mm_per_week={names[0]: 0.005},
            jumps=(Jump(2, names[0], 0.4, 1),) if i % 2 else (),
            bands=(Band(60.0), Band(90.0, 1.0, {names[0]: 0.03})) if i % 4 == 0 else (Band(None),),
            grids=((5, 5, 0.5), (7, 7, 1.0)) if i % 6 == 1 else ((7, 7, 1.0),),
            spiking_share=0.05,
        )
        made.append((make_history(f"m{i}", model, recipe, rng).history, model))
    return made


def test_company_and_order_do_not_matter(farm):
    at = datetime(2026, 12, 1, tzinfo=UTC)
    histories, models = [h for h, _ in farm], [m for _, m in farm]
    seeds = range(len(farm))
    measured = measure_histories(histories, models, at)
    together = follow_fleet(measured, Limits(), at, [np.random.default_rng(k) for k in seeds])
    backwards = follow_fleet(
        measure_histories(histories[::-1], models[::-1], at),
        Limits(),
        at,
        [np.random.default_rng(k) for k in reversed(seeds)],
    )[::-1]
    for k, (history, model) in enumerate(farm):
        alone = follow_fleet(measure_histories([history], [model], at), Limits(), at, [np.random.default_rng(k)])[0]
        same(together[k], alone)
        same(backwards[k], alone)


def test_lines_shuffled_on_import_change_nothing(play, follow):
    made = play(jumps=(Jump(60, "rear", 0.4, 1),), bands=(Band(60.0), Band(95.0)), spiking_share=0.05)
    rows = readings_of(made.history)
    np.random.default_rng(5).shuffle(rows)
    same(follow(History.of("heron-01", rows)), follow(made), tolerance=0.0)


def test_only_readings_up_to_the_time_asked_for_count(play, follow):
    made = play(jumps=(Jump(60, "rear", 0.4, 1),))
    early = time_of(made.history, 55)
    assert follow(made, at=early).steps == ()
    same(follow(made, at=early), follow(made.history.select(np.arange(100) <= 55), at=early), tolerance=0.0)


@pytest.mark.parametrize(
    ("days", "z"),
    [
        ([], None),
        ([0], None),
        ([0, 0], None),
        ([0, 0, 0, 0, 0, 0, 0, 0], None),
        ([0, 1], None),
        ([0, 1, 2], None),
        (range(30), np.zeros((5, 5))),
        (range(30), np.where(np.eye(5) > 0, np.nan, 0.1)),
        ([5, 1, 3, 2, 4], None),
        ([0, 800, 1600, 2400], None),
        ([0, 1e-9, 2e-9, 3e-9, 1, 2, 3, 4, 5, 6], None),
        ([0] * 10 + [900] * 10, None),
    ],
    ids=[
        "none", "one", "two-at-once", "all-at-once", "two", "three", "identical", "missing-points", "out-of-order",
        "years-apart", "nearly-at-once", "two-times",
    ],
)  # fmt: skip
def test_bad_input_is_null(follow, days, z):
    followed = follow(flat(days, z), at=START + timedelta(days=3000))
    assert followed.steps == ()
    assert followed.suspected_step is None
    if len(days) < 6 or np.ptp(np.array(days, dtype=float)) < 14:
        assert followed.forecast is None
    if len(days) < 3 or np.ptp(np.array(days, dtype=float)) == 0:
        assert followed.drift is None


def test_readings_of_the_future_are_not_there_yet(follow):
    assert follow(flat(range(100, 130)), at=START) == HistoryFindings()


def test_a_segment_shorter_than_three_promises_nothing(play, follow):
    made = play()
    note = Note(machine="heron-01", at=time_of(made.history, 98) - timedelta(minutes=1), what="belt")
    followed = follow(replace(made.history, notes=(note,)))
    assert followed.drift is None
    assert followed.forecast is None


def test_readings_that_do_not_count_are_left_out(play, follow, segmented):
    made = play(readings=40, bands=(Band(60.0),), jumps=(Jump(20, "front-left", 0.4, 1),))
    history = made.history
    since, until = time_of(history, 10), time_of(history, 12)
    out = OutOfService(machine="heron-01", since=since, reason="belt off", until=until)
    changed = replace(
        history,
        during_work=np.arange(40) == 5,
        time_from=np.where(np.arange(40) == 15, "unknown", history.time_from),
        out_of_service=(out,),
        bed_celsius=np.where(np.arange(40) == 7, 21.0, history.bed_celsius),
        notes=(Note(machine="heron-01", at=time_of(history, 3), what="replaced"),),
    )
    hot = replace(MODEL, judge_from_celsius=45.0)
    assert np.flatnonzero(~segmented(changed, hot).series[0].measured.followed).tolist() == [2, 4, 7, 8, 12]
    assert [step.at for step in follow(changed, hot).steps] == [made.truth.steps[0].at]


def test_a_partial_mesh_is_left_out(play, segmented):
    made = play(readings=30)
    rows = readings_of(made.history)
    whole = rows[9].mesh
    rows[9] = replace(rows[9], mesh=Mesh(np.linspace(10, 100, 7), whole.y, whole.z))
    # Its right column missing, it spans five sixths of the axes but too little of the bed.
    rows[14] = replace(rows[14], mesh=Mesh(whole.x, whole.y, np.where(np.arange(7) == 6, np.nan, whole.z)))
    assert np.flatnonzero(~segmented(History.of("heron-01", rows)).series[0].measured.followed).tolist() == [9, 14]


def test_temperatures_read_at_poll_time_are_not_reasoned_with(play, segmented):
    made = play(bands=(Band(60.0), Band(90.0)))
    now = replace(made.history, celsius_is_now=np.ones(100, dtype=bool))
    assert len(segmented(now).series[0].celsius) == 1
    assert len(segmented(made).series[0].celsius) == 2


def test_band_offsets_are_learned_and_the_forecast_is_for_the_latest(play, follow, segmented):
    bands = (Band(60.0), Band(90.0, 1.0, {"front-left": 0.12}))
    made = play(bands=bands, readings=120, drift_mm_per_week={"front-left": 0.004})
    batch = segmented(made)
    wanted = 0.12 if batch.series[0].band[-1] == 0 else -0.12
    # The line's further coefficients are the offsets of the bands other than the newest reading's.
    assert batch.lines.coefficients[-1, 2] == pytest.approx([wanted, 0.0], abs=0.008)
    assert batch.series[0].celsius == pytest.approx([60.0, 90.0], abs=0.5)
    assert follow(made).drift.mm_per_week["front-left"] == pytest.approx(0.004, abs=0.0015)


@pytest.mark.parametrize("kind", ["bowl", "corner", "wave", "ridge"])
def test_a_grid_that_changes_is_no_step(play, follow, segmented, kind):
    made = play(grids=((5, 5, 0.5), (7, 7, 1.0)), plates=(Plate(0, None, kind, 0.2),), readings=80)
    followed = follow(made)
    assert followed.steps == ()
    assert followed.drift.readings >= 78
    assert segmented(made).series[0].measured.form.shape[1:] == (7, 7)


def test_a_jump_is_followed_across_a_change_of_grid(play, follow):
    made = play(grids=((5, 5, 0.4), (9, 6, 1.0)), jumps=(Jump(60, "front-left", 0.4, 1),), readings=100)
    (step,) = follow(made).steps
    assert (step.at, step.screw, step.teeth) == (made.truth.steps[0].at, "front-left", 1)


def test_drift_is_found_and_its_interval_holds_it(play, follow):
    followed = follow(play(seed=2, drift_mm_per_week={"front-right": 0.01}))
    assert followed.drift.significant
    low, high = followed.drift.interval["front-right"]
    assert low < 0.01 < high
    low, high = followed.drift.interval["front-left"]
    assert low < 0.0 < high


def test_noise_is_learned(play, segmented):
    batch = segmented(play(readings=400, correlation=0.4, point_noise_mm=0.006))
    series = batch.series[0]
    assert series.measured.noise.sigma_mm == pytest.approx(0.006, rel=0.1)
    assert series.measured.noise.source == "own"
    assert batch.correlation[0] == pytest.approx(0.4, abs=0.12)
    assert np.sqrt(np.diag(batch.noise[0])) == pytest.approx([0.0083, 0.0083], rel=0.2)


def test_a_note_of_another_plate_begins_another_form(play, segmented):
    made = play()
    note = Note(machine="heron-01", at=time_of(made.history, 50), what="plate", text="the spare one")
    batch = segmented(replace(made.history, notes=(note,)))
    forms = forms_of(batch.series[0], batch.kept[0])
    assert [form.readings for form in forms] == [50, 50]
    assert [form.turned for form in forms] == [False, False]
