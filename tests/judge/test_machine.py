"""A machine judged whole, from its meshes to its advice."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from farmwatch.follow import Forecast, HistoryFindings, Step
from farmwatch.history import History, Note, OutOfService
from farmwatch.judge.machine import HostFacts, judge_fleet, judge_machine, with_host
from farmwatch.measure import MeasuredHistory, measure_histories
from farmwatch.mesh import Mesh
from farmwatch.model import Screw

TURNING = {"realign"}
PLATE = {"turn-plate", "plate"}


def judged(bench, z, n: int = 6, **more):
    return judge_machine(bench.history(z, n, 0.004), bench.model, bench.limits, bench.at(n), **more)


class TestFactsOfTheTrade:
    """Common practice, no source."""

    @pytest.mark.parametrize(("lift", "range_mm"), [((1.15, 2.2, 0.0), 2.8), ((0.56, 1.02, 0.0), 1.28)])
    def test_a_tilted_bed_is_past_the_limit_and_its_front_screws_are_turned(self, bench, lift, range_mm) -> None:
        one = judged(bench, bench.bed(lift), n=1)
        assert one.range_mm == pytest.approx(range_mm, abs=0.02)
        assert (one.condition, one.confirmed, one.cause) == ("past-limit", True, "screws")
        assert one.advice[0] == "realign"
        assert set(one.plan.teeth) == {"front-left", "front-right"}
        assert 0.2 <= one.plan.range_after_mm <= 0.32

    @pytest.mark.parametrize("lift", [(0.155, 0.0, 0.0), (0.0, 0.14, 0.0), (0.08, -0.09, 0.0)])
    def test_one_that_no_whole_tooth_betters_is_shimmed_and_never_realigned_again(self, bench, lift) -> None:
        one = judged(bench, bench.bed(lift, bench.form("bowl", 0.04)))
        assert 0.21 <= one.range_mm <= 0.27
        assert one.advice == ("shim",)
        assert one.at_tooth_floor
        assert set(one.plan.teeth.values()) == {0}
        assert one.plan.range_after_shims_mm < 0.1

    def test_shims_that_were_put_in_end_it(self, bench) -> None:
        z = bench.bed((0.155, 0.0, 0.0), bench.form("bowl", 0.04))
        one = judged(bench, z)
        shims = [one.plan.shims_mm[screw.name] for screw in bench.model.screws]
        after = judged(bench, z + np.array(shims) @ bench.influence)
        assert after.cause == "none"


class TestTiltIsNotWarp:
    """A bent plate is never sent to have its screws turned, nor a tilted one to have its plate turned."""

    @given(
        kind=st.sampled_from(["bowl", "dome", "saddle", "twist", "ridge"]),
        mm=st.floats(0.3, 2.0),
        n=st.sampled_from([1, 4]),
        seed=st.integers(0, 10_000),
        lean=st.tuples(st.floats(-0.03, 0.03), st.floats(-0.03, 0.03)),
    )
    @settings(max_examples=25, deadline=None)
    def test_a_bent_plate(self, bench, kind: str, mm: float, n: int, seed: int, lean: tuple[float, float]) -> None:
        z = bench.bed((*lean, 0.0), bench.form(kind, mm))
        one = judge_machine(bench.history(z, n, 0.006, seed), bench.model, bench.limits, bench.at(n))
        assert one.condition == "past-limit"
        assert not TURNING & set(one.advice)
        assert one.cause == "plate"
        assert one.plan is None

    @given(
        kind=st.sampled_from(["bowl", "dome", "saddle", "twist", "ridge"]),
        mm=st.floats(0.0, 0.12),
        n=st.sampled_from([1, 4]),
        seed=st.integers(0, 10_000),
        tilt=st.tuples(st.floats(-2.0, 2.0), st.floats(-2.0, 2.0)).filter(lambda t: max(map(abs, t)) > 0.3),
    )
    @settings(max_examples=25, deadline=None)
    def test_a_tilted_bed(self, bench, kind: str, mm: float, n: int, seed: int, tilt: tuple[float, float]) -> None:
        z = bench.bed((*tilt, 0.0), bench.form(kind, mm))
        one = judge_machine(bench.history(z, n, 0.006, seed), bench.model, bench.limits, bench.at(n))
        assert one.condition == "past-limit"
        assert not PLATE & set(one.advice)
        assert one.cause == "screws"
        assert "rear" not in one.plan.teeth

    def test_a_tilted_bent_bed_is_realigned_before_its_plate_is_turned(self, bench) -> None:
        one = judged(bench, bench.bed((0.8, -0.4, 0.0), bench.form("bowl", 0.4)))
        assert (one.cause, one.advice) == ("both", ("realign", "turn-plate"))
        assert one.plan.teeth == {"front-left": -2, "front-right": 1}


class TestSpikes:
    def test_a_spike_on_a_good_bed_is_the_probe(self, bench) -> None:
        z = bench.bed((0.02, 0.0, 0.0), bench.form("bowl", 0.05))
        z[24] += 0.5
        one = judged(bench, z)
        assert (one.cause, one.advice) == ("probe", ("check-probe",))
        assert [(s.row, s.column) for s in one.spikes] == [(3, 3)]
        assert one.range_mm > 0.4
        assert one.form.flatness_mz_mm < 0.1

    def test_a_spike_on_a_tilted_bed_leaves_the_screws_to_be_turned(self, bench) -> None:
        z = bench.bed((0.8, 0.0, 0.0), bench.form("bowl", 0.05))
        z[24] += 0.9
        one = judged(bench, z)
        assert (one.cause, one.advice) == ("screws", ("realign", "check-probe"))
        assert one.plan.teeth == {"front-left": -2, "front-right": 0}


class TestDrives:
    def test_free_screws_are_turned_by_millimetres(self, bench) -> None:
        model = replace(bench.model, drive="free", lead_mm=None, pulley_teeth=None)
        z = bench.bed((0.37, -0.22, 0.0), bench.form("bowl", 0.05))
        one = judge_machine(bench.history(z, 3), model, bench.limits, bench.at(3))
        assert (one.cause, one.advice) == ("screws", ("realign",))
        assert one.tooth_floor_mm is None
        assert one.plan.teeth == {}
        assert one.plan.turn_mm == pytest.approx({"front-left": -0.37, "front-right": 0.22}, abs=0.01)
        assert one.plan.range_after_mm == pytest.approx(one.form.flatness_mz_mm)

    def test_an_unknown_step_gives_no_plan_but_the_way_to_learn_it(self, bench) -> None:
        model = replace(bench.model, pulley_teeth=None)
        one = judge_machine(bench.history(bench.bed((0.8, 0, 0)), 3), model, bench.limits, bench.at(3))
        assert (one.cause, one.advice, one.plan, one.tooth_floor_mm) == ("screws", ("realign",), None, None)
        assert any("one tooth" in reason for reason in one.reasons)

    def test_a_learned_step_takes_the_place_of_the_models(self, bench) -> None:
        history = bench.history(bench.bed((0.6, 0, 0)), 3)
        nominal = judge_machine(history, bench.model, bench.limits, bench.at(3))
        learned = judge_machine(history, bench.model, bench.limits, bench.at(3), step_mm=0.3)
        assert learned.plan.teeth == {"front-left": -2, "front-right": 0}
        assert learned.tooth_floor_mm == pytest.approx(0.0, abs=1e-9)
        assert nominal.tooth_floor_mm > 0.15

    def test_two_screws_cannot_reach_across_their_line(self, bench) -> None:
        screws = (Screw(name="left", x_mm=0, y_mm=110), Screw(name="right", x_mm=220, y_mm=110, reference=True))
        model = replace(bench.model, screws=screws)
        _, y = bench.points
        one = judge_machine(bench.history(0.4 * (y - 110) / 200, 3), model, bench.limits, bench.at(3))
        assert (one.cause, one.advice) == ("frame", ("shim",))

    def test_four_screws(self, bench) -> None:
        corners = [("front-left", 10, 10), ("front-right", 210, 10), ("rear-right", 210, 210), ("rear-left", 10, 210)]
        screws = tuple(Screw(name=n, x_mm=x, y_mm=y, reference=n == "rear-left") for n, x, y in corners)
        model = replace(bench.model, screws=screws)
        x, _ = bench.points
        one = judge_machine(bench.history(0.8 * (x - 10) / 200, 3), model, bench.limits, bench.at(3))
        assert one.plan.teeth == {"front-left": 0, "front-right": -2, "rear-right": -2}
        assert one.plan.range_after_mm == pytest.approx(0.0, abs=1e-9)


class TestConfirmed:
    def test_once_just_past_the_limit_is_meshed_again_first(self, bench) -> None:
        one = judged(bench, bench.bed((0.155, 0.0, 0.0), bench.form("bowl", 0.04)), n=1)
        assert (one.condition, one.confirmed) == ("past-limit", False)
        assert one.advice == ("re-mesh", "shim")
        assert one.suspected_cause == "screws"

    def test_a_good_machine_that_shows_one_mesh_past_the_limit(self, bench) -> None:
        good = [bench.reading(bench.bed((0.02, 0, 0), bench.form()), day) for day in range(6)]
        bad = bench.reading(bench.bed((0.155, 0.0, 0.0), bench.form("bowl", 0.04)), 6)
        one = judge_machine(History.of("heron-01", [*good, bad]), bench.model, bench.limits, bench.at(7))
        assert one.condition == "usable"
        assert one.advice[0] == "re-mesh"

    def test_only_what_was_taken_at_or_before_counts(self, bench) -> None:
        readings = [bench.reading(bench.bed((0.02, 0, 0)), 0), bench.reading(bench.bed((0.8, 0, 0)), 5)]
        history = History.of("heron-01", readings)
        assert judge_machine(history, bench.model, bench.limits, bench.at(4)).condition == "ideal"
        assert judge_machine(history, bench.model, bench.limits, bench.at(5)).condition == "past-limit"


class TestShownAndJudged:
    def test_a_cold_mesh_is_shown_and_the_hot_one_before_it_judged(self, bench) -> None:
        hot = bench.reading(bench.bed((0.8, 0, 0)), 0)
        cold = bench.reading(bench.bed((0.05, 0, 0)), 1, bed_celsius=21.0)
        one = judge_machine(History.of("heron-01", [hot, cold]), bench.model, bench.limits, bench.at(2))
        assert one.range_mm < 0.1
        assert not one.reading.judged
        assert "21 °C" in one.reading.why_not_judged
        assert one.judged_reading.taken_at == bench.at(0)
        assert one.reasons[0].startswith("Newest mesh ignored: the bed was at 21 °C")
        assert one.reasons[1] == "Mesh it with the bed at 45 °C or more."
        assert (one.condition, one.cause) == ("past-limit", "screws")
        assert one.judged_range_mm == pytest.approx(np.ptp(bench.bed((0.8, 0, 0))))
        assert one.plan.teeth == {"front-left": -2, "front-right": 0}

    def test_an_old_mesh_is_to_be_taken_again_before_anything_rests_on_it(self, bench) -> None:
        history = bench.history(bench.bed(), 2)
        old = judge_machine(history, bench.model, bench.limits, bench.at(26))
        assert (old.condition, old.advice) == ("ideal", ("leave",))
        assert old.reasons[0] == "The mesh behind this is 25 days old: probe again, hot, before you act on it."
        assert len(judge_machine(history, bench.model, bench.limits, bench.at(14)).reasons) == 1

    def test_a_mesh_of_a_part_of_the_bed_is_not_mended_by_meshing_again(self, bench) -> None:
        small = replace(bench.model, bed=(0, 0, 400, 400))
        one = judge_machine(bench.history(bench.bed(), 2), small, bench.limits, bench.at(2))
        assert (one.condition, one.advice) == ("unknown", ("re-mesh",))
        assert "widen the probed area, correct `bed` of the model" in one.reasons[1]

    def test_once_within_the_ideal_limit_is_still_usable_and_says_so(self, bench) -> None:
        before = [bench.reading(bench.bed((0.16, 0, 0)), day) for day in range(3)]
        now = bench.reading(bench.bed((0.06, 0, 0)), 3)
        one = judge_machine(History.of("heron-01", [*before, now]), bench.model, bench.limits, bench.at(4))
        assert (one.condition, one.confirmed) == ("usable", True)
        assert one.range_mm < 0.1
        assert "Still usable: only one mesh is within the ideal limit" in one.reasons[-1]

    def test_nothing_to_judge(self, bench) -> None:
        cold = bench.reading(bench.bed((0.8, 0, 0)), 0, bed_celsius=21.0)
        one = judge_machine(History.of("heron-01", [cold]), bench.model, bench.limits, bench.at(1))
        assert (one.condition, one.cause, one.advice, one.plan) == ("unknown", "unclear", ("re-mesh",), None)
        assert one.range_mm > 0.7

    def test_no_mesh_ever(self, bench) -> None:
        one = judge_machine(History.of("heron-01", []), bench.model, bench.limits, bench.at(1))
        assert (one.condition, one.advice, one.reading, one.range_mm) == ("unknown", ("re-mesh",), None, None)

    def test_silence_and_age_never_erase_a_condition(self, bench) -> None:
        history = bench.history(bench.bed((0.8, 0, 0)), 2)
        one = judge_machine(history, bench.model, bench.limits, bench.at(300))
        assert one.mesh_old
        assert (one.condition, one.cause) == ("past-limit", "screws")
        silent = with_host(one, HostFacts(silent=True, outcome="unreachable"))
        assert silent.advice[-1] == "check-host"
        assert silent.condition == "past-limit"
        puzzling = with_host(one, HostFacts(not_understood=True, outcome="garbled"))
        assert (puzzling.advice[-1], puzzling.silent, puzzling.not_understood) == ("check-host", False, True)
        assert not judge_machine(history, bench.model, bench.limits, bench.at(14)).mesh_old

    def test_out_of_service_keeps_its_condition_and_wants_no_hands(self, bench) -> None:
        out = OutOfService(machine="heron-01", since=bench.at(2.5), reason="belt off")
        history = replace(bench.history(bench.bed((0.8, 0, 0)), 5), out_of_service=(out,))
        one = judge_machine(history, bench.model, bench.limits, bench.at(6))
        assert (one.in_service, one.out_reason, one.condition, one.advice) == (False, "belt off", "past-limit", ())
        assert not one.reading.judged
        assert one.judged_reading.taken_at == bench.at(2)
        assert with_host(one, HostFacts(silent=True)).advice == ()
        assert with_host(one, HostFacts(not_understood=True)).advice == ()

    def test_a_replaced_machine_begins_anew(self, bench) -> None:
        old = [bench.reading(bench.bed((0.8, 0, 0)), day) for day in range(3)]
        new = bench.reading(bench.bed((0.02, 0, 0)), 4)
        note = Note(machine="heron-01", at=bench.at(3.5), what="replaced")
        one = judge_machine(History.of("heron-01", [*old, new], (note,)), bench.model, bench.limits, bench.at(5))
        assert (one.condition, one.since) == ("ideal", bench.at(4))


class TestFollowed:
    def test_due_within_four_weeks_is_planned_ahead(self, bench) -> None:
        coming = Forecast(chance=0.93, p10=11, p50=19, p90=34)
        z = bench.bed((0.07, 0, 0), bench.form())
        assert judged(bench, z, followed=HistoryFindings(forecast=coming)).advice == ("plan-ahead",)
        later = replace(coming, p50=40)
        assert judged(bench, z, followed=HistoryFindings(forecast=later)).advice == ("watch",)

    def test_no_forecast_for_a_machine_confirmed_past_the_limit(self, bench) -> None:
        coming = Forecast(chance=1.0, p10=0, p50=0, p90=0)
        assert judged(bench, bench.bed((0.8, 0, 0)), followed=HistoryFindings(forecast=coming)).forecast is None

    def test_a_second_jump_has_the_drive_looked_at_first(self, bench) -> None:
        jumps = tuple(
            Step(at=bench.at(day), name="tooth-jump", screw="front-left", mm=0.4, teeth=1) for day in (-40, 0)
        )
        one = judged(bench, bench.bed((0.8, 0, 0)), followed=HistoryFindings(steps=jumps))
        assert one.advice == ("inspect-drive", "realign")


class TestRangeSd:
    def test_from_successive_ranges_once_there_are_enough(self, bench) -> None:
        history = bench.history(bench.bed((0.8, 0, 0)), 40, noise=0.01)
        one = judge_machine(history, bench.model, bench.limits, bench.at(41))
        changes = np.diff(one.trace.range_mm)
        mad = np.median(np.abs(changes - np.median(changes)))
        assert one.range_sd_mm == pytest.approx(1.4826 * mad / 2**0.5)

    def test_simulated_from_the_noise_before_that(self, bench) -> None:
        one = judged(bench, bench.bed((0.8, 0, 0)), n=1)
        assert 0.01 < one.range_sd_mm < 0.03
        assert any("Too few meshes to know" in reason for reason in one.reasons)


def measured_of(bench, *histories: History) -> list[MeasuredHistory]:
    return measure_histories(histories, [bench.model] * len(histories), bench.at(9))


class TestNoiseOfTheProbe:
    def test_a_sound_bed_read_with_a_noisy_probe_on_a_fine_grid_is_no_bent_plate(self, bench) -> None:
        axis, rng = np.linspace(10.0, 210.0, 30), np.random.default_rng(5)
        bed = 0.16 * (((axis[None, :] - 110) / 100) ** 2 + 0 * axis[:, None])
        readings = [
            replace(
                bench.reading(bench.bed(), day),
                mesh=Mesh.accept(axis, axis, bed + 0.012 * rng.standard_normal((30, 30))),
            )
            for day in range(6)
        ]
        one = judge_machine(History.of("heron-01", readings), bench.model, bench.limits, bench.at(6))
        assert one.range_mm > 0.2
        assert one.judged_range_mm == pytest.approx(0.16, abs=0.012)
        assert (one.condition, one.cause) == ("usable", "none")
        assert one.judged_reading is None
        assert one.condition_range_mm == one.judged_range_mm

    def test_what_hardly_differs_is_said_once(self, bench) -> None:
        one = judged(bench, bench.bed((0.05, 0, 0)))
        assert one.judged_range_mm is None


class TestFleet:
    def test_company_changes_nothing_for_machines_that_know_their_own_noise(self, bench) -> None:
        histories = [
            bench.history(bench.bed((lift, 0, 0)), 8, 0.005, seed) for seed, lift in enumerate((0.8, 0.1, -0.5))
        ]
        at = bench.at(9)
        together = judge_fleet(measured_of(bench, *histories), bench.limits, at)
        for history, one in zip(histories, together, strict=True):
            alone = judge_machine(history, bench.model, bench.limits, at)
            assert alone.range_mm == one.range_mm
            assert alone.plan == one.plan
            assert (alone.condition, alone.cause, alone.advice) == (one.condition, one.cause, one.advice)
            assert alone.form.flatness_mz_mm == pytest.approx(one.form.flatness_mz_mm, abs=1e-12)

    def test_a_new_machine_borrows_the_noise_of_its_model(self, bench) -> None:
        z = bench.bed((0.8, 0, 0))
        old = measured_of(bench, *(bench.history(z, 8, 0.003, seed) for seed in range(3)))
        (new,) = measured_of(bench, bench.history(z, 1, 0.003, 9))
        (alone,) = judge_fleet([new], bench.limits, bench.at(9))
        helped = judge_fleet([*old, new], bench.limits, bench.at(9))[-1]
        assert helped.screws[0].sd_mm == pytest.approx(0.3 * alone.screws[0].sd_mm, rel=0.2)

    @given(seed=st.integers(0, 10_000))
    @settings(max_examples=15, deadline=None)
    def test_mirroring_the_machine_mirrors_the_plan(self, bench, seed: int) -> None:
        rng = np.random.default_rng(seed)
        z = bench.bed((*rng.normal(0, 0.6, 2), 0.0), bench.form("bowl", 0.05)) + rng.normal(0, 0.005, 49)
        screws = tuple(replace(s, x_mm=220 - s.x_mm) for s in bench.model.screws)
        mirrored_z = z.reshape(7, 7)[:, ::-1].ravel()
        one = judged(bench, z, n=1)
        mirrored = judge_machine(
            bench.history(mirrored_z), replace(bench.model, screws=screws), bench.limits, bench.at(1)
        )
        plain = judge_machine(bench.history(z), bench.model, bench.limits, bench.at(1))
        assert mirrored.tooth_floor_mm == pytest.approx(plain.tooth_floor_mm, abs=1e-9)
        assert (mirrored.plan and mirrored.plan.teeth) == (plain.plan and plain.plan.teeth)
        # The sd of a lone mesh is drawn, point by point: mirrored it differs in its last digits, which may tip an edge.
        assume(abs(plain.tooth_floor_mm + plain.range_sd_mm - bench.limits.usable_mm) > 0.003)
        assume(abs(plain.range_mm - 4.0 * plain.range_sd_mm - bench.limits.usable_mm) > 0.005)
        assert mirrored.advice == plain.advice
        assert one.model is bench.model


def test_grids_may_change_over_time(bench) -> None:
    small = np.linspace(10.0, 210.0, 5)
    early = bench.reading(bench.bed((0.8, 0, 0)), 0)
    z = np.array([[0.8 * (1 - y / 210) for _ in small] for y in small])
    early = replace(early, mesh=Mesh.accept(small, small, z))
    late = bench.reading(bench.bed((0.8, 0, 0)), 1)
    one = judge_machine(
        History.of("heron-01", [early, late]), bench.model, bench.limits, bench.at(1) + timedelta(hours=1)
    )
    assert (one.condition, one.confirmed, one.reading.rows) == ("past-limit", True, 7)


class TestWhatEverySurfaceSays:
    def test_the_range_said_first_is_that_of_the_mesh_that_counts(self, bench) -> None:
        hot, cold = bench.reading(bench.bed((0.8, 0, 0))), bench.reading(bench.bed((0.1, 0, 0)), 1, bed_celsius=20.0)
        one = judge_machine(History.of("heron-01", [hot, cold]), bench.model, bench.limits, bench.at(2))
        assert one.range_mm < 0.2 < one.condition_range_mm
        assert one.condition_range_mm == one.judged_range_mm
        only = judge_machine(History.of("heron-01", [hot]), bench.model, bench.limits, bench.at(2))
        assert only.condition_range_mm == only.range_mm

    def test_what_was_so_at_the_first_mesh_is_not_said_to_have_begun_then(self, bench) -> None:
        off = [bench.reading(bench.bed((0.8, 0, 0)), float(day)) for day in range(4)]
        before = [bench.reading(bench.bed(), float(day) - 5) for day in range(4)]
        assert judge_machine(History.of("heron-01", off), bench.model, bench.limits, bench.at(5)).since_records_began
        fell = judge_machine(History.of("heron-01", [*before, *off]), bench.model, bench.limits, bench.at(5))
        assert fell.condition == "past-limit"
        assert not fell.since_records_began

    @pytest.mark.parametrize(("places", "whose"), [([(3, 3)] * 6, "dirt or a dent"), ("round", "it is the probe")])
    def test_bad_points_are_told_from_the_last_meshes(self, bench, places, whose: str) -> None:
        walk = [(1, 1), (5, 2), (2, 5), (4, 4), (1, 5), (3, 3)] if places == "round" else places
        rng = np.random.default_rng(3)
        readings = []
        for day, (row, column) in enumerate(walk):
            z = bench.bed() + rng.normal(0, 0.003, 49)
            z[7 * row + column] += 0.4
            readings.append(bench.reading(z, float(day)))
        one = judge_machine(History.of("heron-01", readings), bench.model, bench.limits, bench.at(7))
        assert one.cause == "probe"
        assert any(whose in reason and "6 of the last 6" in reason for reason in one.reasons)
