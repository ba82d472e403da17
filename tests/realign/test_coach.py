"""The coach: against a simulated technician who follows the words exactly, and in each thing that can go wrong."""

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from farmwatch.judge.learned import StepBelief, first_belief, learn_move, learn_turn, step_differences
from farmwatch.mesh import Floats, Mesh
from farmwatch.model import Limits, Model, Screw
from farmwatch.realign import BedState, Turn, bed_state, careful_after, clockwise_teeth, compare, next_move
from tests.realign.technician import AT, AXIS, Bench, misaligned, model_of, realigned

LIMITS = Limits()


@pytest.mark.long
def test_misaligned_machines_end_at_the_best_that_whole_teeth_allow() -> None:
    """300 machines, range 0.3 to 3 mm, steps 0.1 to 0.5 mm, noise 0.008 mm."""
    rng = np.random.default_rng(2026)
    done = [realigned(misaligned(rng)) for _ in range(300)]
    assert np.mean([one.off_best_mm <= 0.02 for one in done]) >= 0.98
    assert np.median([one.meshes for one in done]) == 3
    assert not any(one.touched_reference for one in done)
    assert max(one.needless for one in done) <= 1


def test_screws_that_answer_the_other_way_are_named_after_two_moves_at_most() -> None:
    rng = np.random.default_rng(7)
    for _ in range(40):
        bench = misaligned(rng, other_way=True)
        done = realigned(bench, most=3)
        assert done.belief.clockwise == "lowers"
        assert "other way" in step_differences(done.belief)[0]


def bench_at(heights: list[float], step: float = 0.4, model: Model | None = None, noise: float = 0.004) -> Bench:
    model = model or model_of(0.4)
    return Bench(model, np.array(heights), np.zeros(AXIS.size**2), step, True, noise, np.random.default_rng(3))


def look(bench: Bench, minutes: float = 0.0) -> BedState:
    return bed_state(bench.mesh(), bench.model, AT + timedelta(minutes=minutes), 0.004)


def after(bench: Bench, change: Floats) -> BedState:
    bench.heights = bench.heights + change
    return look(bench, 8)


def test_first_one_tooth_and_then_the_rest_at_once() -> None:
    bench = bench_at([-0.8, 0.4, 0.0])
    first = look(bench)
    belief = first_belief(bench.model)
    learn = next_move(first, bench.model, LIMITS, belief)
    assert learn.kind == "learn"
    assert [(turn.screw, turn.teeth) for turn in learn.turns] == [("front-left", 1)]
    second = after(bench, np.array([0.4, 0.0, 0.0]))
    found = compare(first, second, learn.turns, bench.model, belief)
    assert found.belief.learned
    rest = next_move(second, bench.model, LIMITS, found.belief, 1)
    assert rest.kind == "turn"
    assert [(turn.screw, turn.teeth) for turn in rest.turns] == [("front-left", 1), ("front-right", -1)]
    third = after(bench, np.array([0.4, -0.4, 0.0]))
    last = compare(second, third, rest.turns, bench.model, found.belief)
    assert [(seen.screw, seen.teeth) for seen in last.screws] == [("front-left", 1), ("front-right", -1)]
    end = next_move(third, bench.model, LIMITS, last.belief, 2)
    assert (end.kind, end.ending) == ("finished", "ideal")


def test_a_mesh_before_the_turn_is_not_learned_from() -> None:
    bench = bench_at([-0.8, 0.0, 0.0])
    belief = first_belief(bench.model)
    turns = (Turn(screw="front-left", teeth=1, rise_mm=0.4),)
    found = compare(look(bench), look(bench, 8), turns, bench.model, belief)
    assert found.nothing_moved
    assert found.belief == belief


def test_the_wrong_screw_is_named() -> None:
    bench = bench_at([-0.8, 0.0, 0.0])
    belief = first_belief(bench.model)
    turns = (Turn(screw="front-left", teeth=1, rise_mm=0.4),)
    found = compare(look(bench), after(bench, np.array([0.0, 0.4, 0.0])), turns, bench.model, belief)
    assert [(seen.screw, seen.moved, seen.teeth) for seen in found.screws] == [
        ("front-left", False, 0),
        ("front-right", True, 1),
    ]
    assert not found.nothing_moved
    assert found.belief == belief


def test_more_teeth_than_told_are_counted_and_not_learned_from() -> None:
    bench = bench_at([-1.6, 0.0, 0.0])
    belief = first_belief(bench.model)
    turns = (Turn(screw="front-left", teeth=1, rise_mm=0.4),)
    found = compare(look(bench), after(bench, np.array([1.2, 0.0, 0.0])), turns, bench.model, belief)
    assert (found.screws[0].moved, found.screws[0].as_asked, found.screws[0].teeth) == (True, False, 3)
    assert found.belief == belief


@pytest.mark.parametrize(("rise", "between"), [(0.2, True), (0.6, True), (0.4, False), (0.35, False), (0.8, False)])
def test_a_screw_that_stands_between_two_teeth_is_told_and_not_learned_from(rise: float, between: bool) -> None:
    bench = bench_at([-0.8, 0.4, 0.0])
    belief = first_belief(bench.model)
    for teeth in (1, 2):
        belief = learn_move(belief, teeth, 0.4 * teeth, 0.005)
    turns = (Turn(screw="front-left", teeth=1, rise_mm=0.4),)
    found = compare(look(bench), after(bench, np.array([rise, 0.0, 0.0])), turns, bench.model, belief)
    assert [(seen.screw, seen.between_teeth) for seen in found.screws] == [
        ("front-left", between), ("front-right", False),
    ]  # fmt: skip
    assert (found.belief != belief) == (rise == 0.4)


@pytest.mark.parametrize("teeth", [1, -2])
def test_a_turn_of_the_reference_screw_is_recognised(teeth: int) -> None:
    bench = bench_at([-0.8, 0.4, 0.0])
    learned = compare(
        look(bench), after(bench, np.array([0.4, 0.0, 0.0])), (Turn(screw="front-left", teeth=1, rise_mm=0.4),),
        bench.model, first_belief(bench.model),
    ).belief  # fmt: skip
    turns = (Turn(screw="front-left", teeth=1, rise_mm=0.4),)
    before = look(bench)
    first = compare(before, after(bench, np.array([0.4, 0.0, 0.4 * teeth])), turns, bench.model, learned)
    assert (first.reference_mm, first.screws, first.belief) == (None, (), learned)
    assert first.reference_suspected_mm == pytest.approx(0.4 * teeth, abs=0.03)
    found = compare(before, look(bench, 9), turns, bench.model, learned, suspected_mm=first.reference_suspected_mm)
    assert found.reference_mm == pytest.approx(0.4 * teeth, abs=0.03)
    assert [seen.teeth for seen in found.screws] == [1, 0]


@pytest.mark.parametrize("settled", [0.0, 0.03, -0.05])
def test_where_all_were_told_alike_and_none_turned_nothing_has_moved(settled: float) -> None:
    """A bed that settles by a few hundredths as it warms has turned no screw, and the reference has not moved."""
    bench = bench_at([-0.8, -0.8, 0.0])
    belief = first_belief(bench.model)
    for teeth in (1, 2):
        belief = learn_move(belief, teeth, 0.4 * teeth, 0.005)
    turns = tuple(Turn(screw=name, teeth=2, rise_mm=0.8, clockwise=True) for name in ("front-left", "front-right"))
    found = compare(look(bench), after(bench, np.array([settled, settled, 0.0])), turns, bench.model, belief)
    assert (found.nothing_moved, found.reference_mm, found.reference_suspected_mm) == (True, None, None)


def test_nothing_known_of_the_drive_begins_with_one_tooth() -> None:
    unknown = replace(model_of(0.4), lead_mm=None, pulley_teeth=None, clockwise=None)
    bench = bench_at([-0.9, 0.3, 0.0], step=0.3, model=unknown)
    first = look(bench)
    belief = first_belief(unknown)
    learn = next_move(first, unknown, LIMITS, belief)
    assert (learn.kind, learn.turns[0].screw, learn.turns[0].teeth) == ("learn", "front-left", 1)
    second = after(bench, np.array([-0.3, 0.0, 0.0]))
    found = compare(first, second, learn.turns, unknown, belief)
    assert found.belief.clockwise == "lowers"
    assert found.belief.step_mm == pytest.approx(0.3, abs=0.02)
    rest = next_move(second, unknown, LIMITS, found.belief, 1)
    assert {turn.screw: turn.teeth for turn in rest.turns} == {"front-left": 4, "front-right": -1}
    assert clockwise_teeth(rest.turns[0], found.belief) == -4


def test_a_free_drive_is_told_millimetres() -> None:
    free = replace(model_of(0.4), drive="free")
    bench = bench_at([-0.31, 0.17, 0.0], model=free)
    told = next_move(look(bench), free, LIMITS, first_belief(free))
    assert {turn.screw: round(turn.rise_mm, 1) for turn in told.turns} == {"front-left": 0.3, "front-right": -0.2}
    assert all(turn.teeth is None for turn in told.turns)
    end = next_move(after(bench, np.array([0.31, -0.17, 0.0])), free, LIMITS, first_belief(free), 1)
    assert end.ending == "ideal"


def test_a_plate_is_never_sent_to_have_its_screws_turned() -> None:
    bench = bench_at([0.0, 0.0, 0.0])
    xx = (np.meshgrid(AXIS, AXIS)[0].ravel() - 110) / 100
    bench.plate = 0.5 * xx**2
    end = next_move(look(bench), bench.model, LIMITS, first_belief(bench.model))
    assert (end.kind, end.ending, end.turns) == ("finished", "plate", ())


def test_at_the_tooth_floor_shims_are_named() -> None:
    bench = bench_at([0.18, -0.12, 0.0], step=0.6, model=model_of(0.6))
    end = next_move(look(bench), bench.model, LIMITS, first_belief(bench.model))
    assert (end.kind, end.ending) == ("finished", "tooth-floor")
    assert end.shims_mm is not None
    assert end.after_shims_mm is not None
    assert end.after_shims_mm < 0.15


def test_two_screws_are_followed_along_their_line() -> None:
    model = Model(
        name="slipway-300", lead_mm=4.0, pulley_teeth=20, clockwise="raises",
        screws=(Screw(name="left", x_mm=0, y_mm=110, reference=True), Screw(name="right", x_mm=220, y_mm=110)),
    )  # fmt: skip
    z = 0.9 * (np.meshgrid(AXIS, AXIS)[0] / 220)
    first = bed_state(Mesh.accept(AXIS, AXIS, z), model, AT, 0.004)
    told = next_move(first, model, LIMITS, first_belief(model))
    assert (told.kind, told.turns[0].screw, told.turns[0].teeth) == ("learn", "right", -1)
    learned = learn_turn(first_belief(model), 1, 0.2, 0.004)
    assert next_move(first, model, LIMITS, learned).turns[0].teeth in (-4, -5)


@pytest.mark.parametrize("answers", [True, False])
@pytest.mark.parametrize("wrong", [0, 1])
@pytest.mark.parametrize("silent", [True, False])
def test_a_move_made_the_wrong_way_round_costs_moves_and_no_teeth(answers: bool, wrong: int, silent: bool) -> None:
    """The slip apart, no move takes a screw further astray than one tooth; the true sense is found all the same."""
    rng = np.random.default_rng(11)
    for _ in range(8):
        bench = misaligned(rng)
        if silent:
            bench.model = replace(bench.model, clockwise=None)
        done = realigned(bench, most=9, answers=answers, wrong=(wrong,))
        assert done.belief.likelier_sense == "raises"
        assert done.astray_after_slip <= 1
        assert done.ends_off_mm <= 0.04


def test_another_machine_of_the_model_lends_its_sense_and_is_not_believed_blindly() -> None:
    rng = np.random.default_rng(12)
    for raises in (True, False):
        for _ in range(8):
            bench = misaligned(rng, other_way=not raises)
            bench.model = replace(bench.model, clockwise=None)
            done = realigned(bench, model_sense="raises", answers=False)
            assert done.belief.clockwise == ("raises" if raises else "lowers")
            assert done.most_astray == (0 if raises else 1)


def told(bench: Bench, teeth: int, belief: StepBelief) -> tuple[Turn, ...]:
    clockwise = (teeth > 0) == (belief.likelier_sense == "raises")
    rise_mm = teeth * belief.step_mm
    return (Turn(screw="front-left", teeth=teeth, rise_mm=rise_mm, clockwise=clockwise, way_known=belief.way_known),)


@pytest.mark.parametrize("rise", [0.4, 0.8])
def test_a_rise_where_a_fall_was_told_is_to_be_asked_about(rise: float) -> None:
    """One tooth, or two in place of one."""
    bench = bench_at([0.8, 0.0, 0.0])
    belief = first_belief(bench.model)
    turns, before = told(bench, -1, belief), look(bench)
    second = after(bench, np.array([rise, 0.0, 0.0]))
    found = compare(before, second, turns, bench.model, belief)
    assert (found.screws[0].against, found.screws[0].to_ask) == (True, True)
    assert careful_after(False, found)
    wrong = compare(before, second, turns, bench.model, belief, {"front-left": False})
    assert wrong.belief.clockwise == "raises"
    assert wrong.belief.chance_other_way < 0.01
    assert wrong.screws[0].turned == round(rise / 0.4)
    right = compare(before, second, turns, bench.model, belief, {"front-left": True})
    assert right.belief.clockwise == "lowers"
    assert right.screws[0].turned == -round(rise / 0.4)
    for answered in (wrong, right):
        assert careful_after(False, answered)
        advice = next_move(second, bench.model, LIMITS, answered.belief, 1, careful=True)
        assert [turn.teeth for turn in advice.turns] == [-1]
        assert advice.careful
        assert advice.turns[0].clockwise == (answered is right)


def test_after_a_move_that_went_as_told_the_rest_is_told_at_once_again() -> None:
    bench = bench_at([1.6, 0.0, 0.0])
    belief = first_belief(bench.model)
    turns, before = told(bench, -1, belief), look(bench)
    second = after(bench, np.array([-0.4, 0.0, 0.0]))
    found = compare(before, second, turns, bench.model, belief)
    assert not careful_after(True, found)
    assert [turn.teeth for turn in next_move(second, bench.model, LIMITS, found.belief, 1).turns] == [-3]
    assert [turn.teeth for turn in next_move(second, bench.model, LIMITS, found.belief, 1, careful=True).turns] == [-1]


def test_where_nothing_is_known_of_the_sense_one_tooth_is_believed_only_when_it_was_asked_about() -> None:
    silent = replace(model_of(0.4), clockwise=None)
    bench = bench_at([1.6, 0.0, 0.0], model=silent)
    belief = first_belief(silent)
    turns, before = told(bench, -1, belief), look(bench)
    second = after(bench, np.array([0.4, 0.0, 0.0]))
    found = compare(before, second, turns, silent, belief)
    assert (found.screws[0].against, found.screws[0].to_ask) == (False, True)
    assert careful_after(False, found)
    assert not careful_after(False, compare(before, second, turns, silent, belief, {"front-left": True}))
    wrong = compare(before, second, turns, silent, belief, {"front-left": False})
    assert careful_after(False, wrong)
    assert wrong.belief.clockwise == "raises"


def test_every_screw_turned_the_wrong_way_round_is_no_turn_of_the_reference() -> None:
    bench = bench_at([0.8, 0.8, 0.0])
    belief = first_belief(bench.model)
    for teeth in (1, 2):
        belief = learn_move(belief, teeth, 0.4 * teeth, 0.005)
    turns = tuple(Turn(screw=name, teeth=-1, rise_mm=-0.4, clockwise=False) for name in ("front-left", "front-right"))
    found = compare(look(bench), after(bench, np.array([0.4, 0.4, 0.0])), turns, bench.model, belief)
    assert found.reference_mm is None
    assert [one.against for one in found.screws] == [True, True]


def test_a_free_drive_that_went_the_wrong_way_is_told_a_little_until_one_goes_as_told() -> None:
    free = replace(model_of(0.4), drive="free")
    bench = bench_at([-0.8, 0.4, 0.0], model=free)
    belief, first = first_belief(free), look(bench)
    turns = next_move(first, free, LIMITS, belief).turns
    second = after(bench, np.array([-0.8, 0.0, 0.0]))
    found = compare(first, second, turns, free, belief)
    assert (found.screws[0].against, found.screws[0].to_ask) == (True, False)
    assert careful_after(False, found)
    little = next_move(second, free, LIMITS, belief, 1, careful=True)
    assert [(turn.screw, turn.rise_mm) for turn in little.turns] == [("front-left", 0.1)]
    third = after(bench, np.array([0.1, 0.0, 0.0]))
    assert not careful_after(True, compare(second, third, little.turns, free, belief))


def test_a_part_of_the_teeth_told_is_a_move() -> None:
    bench = bench_at([2.8, 0.0, 0.0])
    belief = learn_move(first_belief(bench.model), 2, 0.8, 0.005)
    found = compare(look(bench), after(bench, np.array([-0.8, 0.0, 0.0])), told(bench, -7, belief), bench.model, belief)
    assert (found.screws[0].moved, found.screws[0].teeth, found.screws[0].as_asked) == (True, -2, False)
    assert not found.nothing_moved
