"""Four screws and two: what a move of the rigid bed says of its screws, and a step that the model has wrong."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from farmwatch.follow import explain_move
from farmwatch.judge.learned import first_belief, learn_turn, step_differences
from farmwatch.measure import influence
from farmwatch.mesh import Floats, Mesh
from farmwatch.model import Limits
from farmwatch.realign import Turn, bed_state, compare, next_move
from farmwatch.realign.coach import most_teeth, moved_untold
from tests.realign.technician import AT, AXIS, SCREWS, Bench, misaligned, model_of, realigned

LIMITS = Limits()
WHERE = np.array(list(SCREWS[4].values()))
REFERENCE = 3


def bench_of(heights: list[float], noise: float = 0.002, seed: int = 1) -> Bench:
    model = model_of(0.4, screws=len(heights))
    return Bench(model, np.array(heights), np.zeros(AXIS.size**2), 0.4, True, noise, np.random.default_rng(seed))


def seen(bench: Bench):
    return bed_state(bench.mesh(), bench.model, AT, 0.004)


def lifted(bench: Bench, rises: list[float]):
    bench.heights = bench.heights + np.array(rises)
    return seen(bench)


def plane_of(rises: list[float]) -> Floats:
    """Where the plane of a rigid bed goes at each screw, relative to the reference."""
    at_screws = influence(WHERE, REFERENCE, *WHERE.T)
    plane = np.array(rises) @ at_screws
    return plane - plane[REFERENCE]


NOISE = 0.004**2 * (np.eye(4) + 1.0)
NOISE[REFERENCE] = NOISE[:, REFERENCE] = 0.0


def test_what_was_told_by_one_factor_is_read_as_that() -> None:
    found = explain_move(WHERE, REFERENCE, plane_of([0.8, 0.8, 0.0, 0.0]), NOISE, np.array([0.4, 0.4, 0.0, 0.0]))
    assert found.as_told
    assert found.rise_mm == pytest.approx([0.8, 0.8, 0.0, 0.0], abs=1e-9)


def test_one_screw_and_its_partner_across_are_one_reading() -> None:
    """Reference rear left: front left up is rear right down, and nothing told says which."""
    found = explain_move(WHERE, REFERENCE, plane_of([0.4, 0.0, 0.0, 0.0]), NOISE, np.zeros(4))
    assert found.rise_mm == pytest.approx([0.4, 0.0, 0.0, 0.0], abs=1e-6)
    assert found.also == (2,)


def test_the_reference_is_never_named_where_a_movable_screw_explains_it() -> None:
    found = explain_move(WHERE, REFERENCE, plane_of([0.0, 0.0, 0.0, -0.4]), NOISE, np.zeros(4))
    assert found.rise_mm == pytest.approx([0.0, 0.4, 0.0, 0.0], abs=1e-6)
    assert found.also == (REFERENCE,)


def test_one_of_two_that_were_told_is_found() -> None:
    told = np.array([0.4, 0.4, 0.0, 0.0])
    found = explain_move(WHERE, REFERENCE, plane_of([0.4, 0.0, 0.0, 0.0]), NOISE, told)
    assert not found.as_told
    assert found.rise_mm == pytest.approx([0.4, 0.0, 0.0, 0.0], abs=1e-6)


def test_a_still_bed_is_read_as_still() -> None:
    found = explain_move(WHERE, REFERENCE, np.array([0.003, -0.002, 0.002, 0.0]), NOISE, np.zeros(4))
    assert found.as_told
    assert not found.rise_mm.any()


def test_the_first_teeth_of_four_screws_twist_no_bed() -> None:
    bench = bench_of([-0.8, -0.8, 0.0, 0.0])
    belief = first_belief(bench.model)
    learn = next_move(seen(bench), bench.model, LIMITS, belief)
    assert [(turn.screw, turn.teeth) for turn in learn.turns] == [("front-left", 1), ("front-right", 1)]
    before = seen(bench)
    found = compare(before, lifted(bench, [0.4, 0.4, 0.0, 0.0]), learn.turns, bench.model, belief)
    assert found.belief.step_mm == pytest.approx(0.4, abs=0.01)
    assert found.belief.learned
    assert found.belief.moves == 1  # both screws show one plane: that is one lesson


def test_one_screw_of_four_turned_alone_teaches_no_half_step() -> None:
    bench = bench_of([-0.8, -0.8, 0.0, 0.0])
    belief = first_belief(bench.model)
    turns = next_move(seen(bench), bench.model, LIMITS, belief).turns
    found = compare(seen(bench), lifted(bench, [0.4, 0.0, 0.0, 0.0]), turns, bench.model, belief)
    assert found.belief == belief
    assert [(one.screw, one.moved) for one in found.screws] == [
        ("front-left", True), ("front-right", False), ("rear-right", False),
    ]  # fmt: skip


@pytest.mark.parametrize("screws", [2, 3, 4])
@pytest.mark.parametrize("step_is", [1.0, 2.0, 4.0, 0.5, 0.25])
def test_every_realignment_ends_near_the_best_whatever_lead_the_model_has(screws: int, step_is: float) -> None:
    rng = np.random.default_rng(31)
    moves = []
    for _ in range(6):
        bench = misaligned(rng, screws=screws, step_is=step_is, off_nominal=0.1)
        done = realigned(bench, most=15)
        assert done.ended
        assert not done.touched_reference
        assert done.ends_off_mm <= 0.04
        moves.append(done.meshes - 1)
    assert np.median(moves) <= 3


@pytest.mark.parametrize("answers", [True, False])
@pytest.mark.parametrize("wrong", [(0,), (1,), (0, 1)])
def test_slips_at_four_screws_cost_moves_and_no_end(answers: bool, wrong: tuple[int, ...]) -> None:
    rng = np.random.default_rng(32)
    for _ in range(6):
        done = realigned(misaligned(rng, screws=4), most=15, answers=answers, wrong=wrong)
        assert done.ended
        assert done.ends_off_mm <= 0.04


def test_a_bed_that_turns_the_other_way_ends_too() -> None:
    rng = np.random.default_rng(33)
    for _ in range(6):
        done = realigned(misaligned(rng, screws=4, other_way=True), most=15)
        assert done.ended
        assert done.belief.likelier_sense == "lowers"


def test_twice_the_step_is_said_from_the_first_tooth_and_learned_from_the_second() -> None:
    """After one tooth it may have been two that were turned; a second tells which."""
    model = model_of(0.4)
    once = learn_turn(first_belief(model), 1, 0.8, 0.006)
    [doubt] = step_differences(once)
    assert "twice as much" in doubt
    assert "One tooth more shows which" in doubt
    assert not once.learned
    twice = learn_turn(once, 1, 0.8, 0.006)
    assert twice.learned
    assert twice.step_mm == pytest.approx(0.8, abs=0.01)
    assert step_differences(twice)[-1] == "Twice as much: check lead_mm (pitch × starts) and pulley_teeth of its model."


@pytest.mark.parametrize(("times", "said"), [(4.0, "Four times as much"), (0.25, "A quarter as much")])
def test_what_no_slip_of_the_hand_explains_is_learned_from_one_tooth(times: float, said: str) -> None:
    belief = learn_turn(first_belief(model_of(0.4)), 1, times * 0.4, 0.006)
    assert belief.learned
    assert belief.step_mm == pytest.approx(times * 0.4, abs=0.02)
    assert said in step_differences(belief)[-1]


def test_two_teeth_turned_once_by_mistake_are_no_wrong_lead() -> None:
    model = model_of(0.4)
    belief = learn_turn(first_belief(model), 1, 0.8, 0.006)
    belief = learn_turn(belief, 1, 0.4, 0.006)
    assert belief.step_mm == pytest.approx(0.4, abs=0.01)
    assert belief.learned
    assert step_differences(belief) == ()


def test_a_quarter_of_the_step_is_a_move_and_no_mesh_before_the_turn() -> None:
    bench = bench_of([-0.8, 0.0, 0.0])
    belief = first_belief(bench.model)
    turns = (Turn(screw="front-left", teeth=1, rise_mm=0.4, clockwise=True),)
    found = compare(seen(bench), lifted(bench, [0.1, 0.0, 0.0]), turns, bench.model, belief)
    assert not found.nothing_moved
    assert found.belief.step_mm == pytest.approx(0.1, abs=0.01)
    assert any("a quarter as much" in sentence.lower() for sentence in step_differences(found.belief))


def test_no_move_is_told_beyond_the_range_and_one_tooth() -> None:
    bench = bench_of([-1.9, 0.9, 0.0])
    model = bench.model
    belief = replace(learn_turn(first_belief(model), 1, 0.4, 0.004))
    for heights in ([-1.9, 0.9, 0.0], [3.0, 3.0, 0.0], [0.5, -0.1, 0.0]):
        state = seen(bench_of(heights))
        turns = next_move(state, model, LIMITS, belief).turns
        assert turns
        assert all(abs(turn.teeth or 0) <= most_teeth(state, belief) for turn in turns)
        assert most_teeth(state, belief) * belief.step_mm <= state.range_mm + belief.step_mm + 1e-9


@pytest.mark.parametrize("screws", [3, 4])
def test_all_movable_screws_told_alike_and_none_turned_is_nothing_moved(screws: int) -> None:
    bench = bench_of([0.8] * (screws - 1) + [0.0])
    belief = learn_turn(first_belief(bench.model), 1, 0.4, 0.004)
    turns = tuple(
        Turn(screw=screw.name, teeth=-2, rise_mm=-0.8, clockwise=False)
        for screw in bench.model.screws
        if not screw.reference
    )
    found = compare(seen(bench), seen(bench), turns, bench.model, belief)
    assert found.nothing_moved
    assert found.reference_mm is None


def test_a_whole_tooth_on_a_screw_that_was_not_told_is_one_to_stop_for() -> None:
    bench = bench_of([-0.8, 0.0, 0.0])
    belief = first_belief(bench.model)
    turns = (Turn(screw="front-left", teeth=1, rise_mm=0.4, clockwise=True),)
    found = compare(seen(bench), lifted(bench, [0.0, 0.4, 0.0]), turns, bench.model, belief)
    strayed = moved_untold(found)
    assert strayed is not None
    assert (strayed.screw, strayed.teeth) == ("front-right", 1)
    as_told = compare(seen(bench), lifted(bench, [0.4, 0.0, 0.0]), turns, bench.model, belief)
    assert moved_untold(as_told) is None


@pytest.mark.parametrize("off", [{1: 0.4}, {2: -0.8}, {0: 0.4, 1: 0.4, 2: 0.8}])
def test_a_bed_that_follows_its_screws_is_brought_back_by_the_one_that_is_off(off: dict[int, float]) -> None:
    """Front left, front right, rear right; rear left is the reference."""
    model = model_of(0.4, screws=4)
    x, y = np.meshgrid(AXIS, AXIS)
    u, v = (x.ravel() - 15) / 190, (y.ravel() - 12) / 196
    shares = np.stack([(1 - u) * (1 - v), u * (1 - v), u * v, (1 - u) * v])
    heights, rng = np.zeros(4), np.random.default_rng(3)
    heights[list(off)] = list(off.values())

    def mesh():
        z = heights @ shares + rng.normal(0.0, 0.004, u.size)
        return bed_state(Mesh.accept(AXIS, AXIS, z.reshape(AXIS.size, -1)), model, AT, 0.004)

    belief, bed, moves = first_belief(model), mesh(), 0
    while (advice := next_move(bed, model, LIMITS, belief, moves)).kind != "finished":
        for turn in advice.turns:
            heights[[screw.name for screw in model.screws].index(turn.screw)] += turn.teeth * 0.4
        before, bed, moves = bed, mesh(), moves + 1
        belief = compare(before, bed, advice.turns, model, belief).belief
        assert moves <= 4
    assert advice.ending == "ideal"
    assert bed.range_mm < 0.06
