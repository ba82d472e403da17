from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from farmwatch.judge.learned import DOUBT_WHEN_ASKED, first_belief, learn_move, learn_turn, step_differences


def realign(rng: np.random.Generator, nominal: float, true: float, way: int, belief, moves: int):
    """Moves of random whole teeth, each seen with the noise of two readings; the other sense's chance after each."""
    chances = []
    for _ in range(moves):
        teeth = int(rng.choice([-3, -2, -1, 1, 2, 3]))
        rise = way * teeth * true + rng.normal(0.0, 0.011)
        belief = learn_move(belief, teeth, rise, 0.011)
        chances.append(belief.chance_other_way)
    return belief, chances


def test_before_any_move_it_is_the_model_that_speaks(bench) -> None:
    belief = first_belief(bench.model)
    assert belief.step_mm == pytest.approx(0.4)
    # ± 20 % standard deviation: 0.4 ± 1.96 · 0.08.
    assert belief.interval_mm == pytest.approx((0.4 - 1.96 * 0.08, 0.4 + 1.96 * 0.08), abs=1e-3)
    assert belief.clockwise == "raises"
    assert not belief.learned
    assert step_differences(belief) == ()


def test_one_move_teaches_step_and_sense(bench) -> None:
    belief = learn_move(first_belief(bench.model), 1, 0.39, 0.01)
    assert belief.step_mm == pytest.approx(0.39, abs=0.005)
    assert belief.learned
    assert belief.clockwise == "raises"
    assert step_differences(belief) == ()


def test_screws_that_answer_the_other_way_are_named(bench) -> None:
    belief = learn_move(first_belief(bench.model), 1, -0.41, 0.01)
    assert belief.clockwise == "lowers"
    assert step_differences(belief) == (
        "Its screws answer the other way: a clockwise turn, seen from below, lowers the bed.",
    )


def test_another_step_is_named(bench) -> None:
    belief = first_belief(bench.model)
    for teeth in (1, 2, -2):
        belief = learn_move(belief, teeth, teeth * 0.5, 0.01)
    assert "One tooth lifts 0.500 mm here" in step_differences(belief)[0]
    assert "not 0.400 mm" in step_differences(belief)[0]


def test_a_model_that_says_nothing_is_learned_from_one_tooth(bench) -> None:
    silent = replace(bench.model, lead_mm=None, pulley_teeth=None, clockwise=None)
    belief = first_belief(silent)
    assert belief.clockwise is None
    belief = learn_move(belief, 1, -0.2, 0.01)
    assert belief.step_mm == pytest.approx(0.2, abs=0.01)
    assert belief.clockwise == "lowers"
    assert belief.learned


def test_a_move_lost_in_the_noise_teaches_little(bench) -> None:
    silent = replace(bench.model, lead_mm=None, pulley_teeth=None, clockwise=None)
    belief = learn_move(first_belief(silent), 1, 0.002, 0.05)
    assert not belief.learned
    assert belief.clockwise is None


def test_no_teeth_no_news_and_a_sd_is_wanted(bench) -> None:
    belief = first_belief(bench.model)
    assert learn_move(belief, 0, 0.1, 0.01) is belief
    with pytest.raises(ValueError, match="above 0"):
        learn_move(belief, 1, 0.4, 0.0)


@pytest.mark.parametrize("teeth", [0.5, -1.5, float("nan"), float("inf")])
def test_teeth_that_are_not_whole_are_refused(bench, teeth: float) -> None:
    with pytest.raises(ValueError, match="whole teeth"):
        learn_move(first_belief(bench.model), teeth, 0.2, 0.01)  # type: ignore[arg-type]


@pytest.mark.long
def test_two_thousand_realignments(bench) -> None:
    """True steps of 0.7 to 1.3 of the nominal, one in ten turning the other way: the interval holds the truth."""
    rng = np.random.default_rng(1)
    held, named, wrong_way, false_alarms = 0, 0, 0, 0
    for _ in range(2000):
        nominal = float(rng.uniform(0.1, 0.5))
        true = nominal * float(rng.uniform(0.7, 1.3))
        way = -1 if rng.random() < 0.1 else 1
        model = replace(bench.model, lead_mm=nominal * 20, pulley_teeth=20)
        belief, chances = realign(rng, nominal, true, way, first_belief(model), int(rng.integers(1, 4)))
        low, high = belief.interval_mm
        held += low <= true <= high
        if way < 0:
            wrong_way += 1
            named += any(chance > 0.95 for chance in chances[:2])
        else:
            false_alarms += belief.chance_other_way > 0.95
    assert 0.93 <= held / 2000 <= 0.97
    assert named == wrong_way
    assert wrong_way > 150
    assert false_alarms == 0


def test_two_moves_that_contradict_each_other_leave_the_step_alone_and_bring_the_sense_back(bench) -> None:
    """One was turned the wrong way round: 0.4 up, then 0.4 down for the same tooth told."""
    first = first_belief(bench.model)
    belief = learn_move(learn_move(first, 1, -0.4, 0.01), 1, 0.4, 0.01)
    assert belief.step_mm == pytest.approx(0.4, abs=0.005)
    assert belief.chance_other_way == pytest.approx(first.chance_other_way, abs=0.01)
    assert not belief.learned
    third = learn_move(belief, 1, 0.4, 0.01)
    assert (third.clockwise, third.learned) == ("raises", True)


def test_one_slip_among_moves_that_agree_does_not_turn_the_sense(bench) -> None:
    belief = first_belief(bench.model)
    for rise in (0.4, 0.41, -0.4, 0.39):
        belief = learn_move(belief, 1, rise, 0.01)
    assert belief.clockwise == "raises"
    assert belief.interval_mm[0] < 0.4 < belief.interval_mm[1]
    assert belief.interval_mm[1] - belief.interval_mm[0] < 0.03


def test_what_was_asked_about_is_doubted_less(bench) -> None:
    first = first_belief(bench.model)
    assert learn_move(first, 1, -0.4, 0.01, DOUBT_WHEN_ASKED).chance_other_way > 0.99
    assert 0.95 < learn_move(first, 1, -0.4, 0.01).chance_other_way < 0.97


def test_another_machine_of_a_silent_model_lends_its_sense(bench) -> None:
    silent = replace(bench.model, clockwise=None)
    belief = first_belief(silent, ("tideframe-02", "lowers"))
    assert (belief.clockwise, belief.likelier_sense, belief.way_known, belief.learned) == (
        "lowers",
        "lowers",
        True,
        False,
    )
    assert not first_belief(silent).way_known
    other = learn_move(belief, 1, -0.4, 0.01)
    assert other.clockwise == "raises"
    [said] = step_differences(other)
    assert said.startswith("Its screws answer the other way than those of tideframe-02: a clockwise turn, seen from")
    # What the model states itself goes before.
    assert first_belief(bench.model, ("tideframe-02", "lowers")) == first_belief(bench.model)


def test_a_turn_by_hand_is_learned_from_as_the_bed_goes(bench) -> None:
    lowers = replace(bench.model, clockwise="lowers")
    assert learn_turn(first_belief(lowers), 2, -0.8, 0.01).clockwise == "lowers"
    assert learn_turn(first_belief(lowers), 2, 0.8, 0.01).clockwise == "raises"
