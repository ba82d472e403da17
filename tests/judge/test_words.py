from __future__ import annotations

from dataclasses import replace
from typing import get_args

import pytest

from farmwatch.judge.assessment import Assessment, Condition, Plan
from farmwatch.judge.words import (
    CONDITION_WORDS,
    advice_phrase,
    advice_sentence,
    amount_phrase,
    cause_phrase,
    move_sentence,
    plan_sentences,
    shim_sentences,
)

PLAN = Plan(
    teeth={"front-left": 2, "front-right": -1},
    range_after_mm=0.3,
    shims_mm={"front-left": 0.0, "front-right": 0.2, "rear": 0.05},
    range_after_shims_mm=0.1,
    turn_mm={"front-left": 0.8, "front-right": -0.4},
)


def test_every_condition_cause_and_advice_has_its_words() -> None:
    assert set(CONDITION_WORDS) == set(get_args(Condition))


@pytest.mark.parametrize(
    ("teeth", "clockwise", "said"),
    [
        (2, "raises", "front left: up 2 teeth, clockwise seen from below"),
        (1, "lowers", "front left: up 1 tooth, anticlockwise seen from below"),
        (-1, "raises", "front left: down 1 tooth, anticlockwise seen from below"),
        (-3, "lowers", "front left: down 3 teeth, clockwise seen from below"),
        (0, "raises", "front left: leave as it is"),
        (2, None, "front left: up 2 teeth; which way round is not known: turn one tooth first and mesh again"),
    ],
)
def test_a_move_is_a_sentence(teeth: int, clockwise: str | None, said: str) -> None:
    assert move_sentence("front-left", teeth, teeth * 0.4, clockwise) == said  # type: ignore[arg-type]


def test_a_free_drive_is_turned_by_millimetres() -> None:
    assert move_sentence("rear", None, -0.123, "raises") == "rear: down 0.12 mm, anticlockwise seen from below"
    assert move_sentence("rear", None, 0.001, "raises") == "rear: leave as it is"


def test_a_plan_begins_with_the_tooth_that_shows_the_step(bench) -> None:
    said = plan_sentences(PLAN, bench.model)
    assert said == (
        (
            "no move is on record for this machine: first turn front left up one tooth, clockwise seen from below, and "
            "mesh again, hot; then the rest at once, this tooth counted in"
        ),
        "front left: up 2 teeth, clockwise seen from below",
        "front right: down 1 tooth, anticlockwise seen from below",
        "rear: the reference, never turned",
    )
    assert plan_sentences(PLAN, bench.model, learned=True) == said[1:]


def test_where_the_sense_is_not_known_the_first_tooth_shows_it_once_for_all(bench) -> None:
    said = plan_sentences(PLAN, replace(bench.model, clockwise=None))
    assert said == (
        (
            "which way round is not known: first turn front left by one tooth clockwise, seen from below, and mesh "
            "again, hot; then the rest at once, this tooth counted in"
        ),
        "front left: up 2 teeth",
        "front right: down 1 tooth",
        "rear: the reference, never turned",
    )


def test_a_plan_of_one_tooth_needs_no_tooth_before_it(bench) -> None:
    one = replace(PLAN, teeth={"front-left": 0, "front-right": -1}, turn_mm={"front-left": 0.0, "front-right": -0.4})
    assert plan_sentences(one, bench.model)[:2] == (
        "front left: leave as it is",
        "front right: down 1 tooth, anticlockwise seen from below",
    )
    unknown = plan_sentences(one, replace(bench.model, clockwise=None))[1]
    assert unknown.endswith("which way round is not known: turn one tooth first and mesh again")


def test_a_free_drive_of_unknown_sense_is_turned_a_little_first(bench) -> None:
    free = replace(PLAN, teeth={}, turn_mm={"front-left": 0.2, "front-right": -0.35})
    model = replace(bench.model, drive="free")
    assert plan_sentences(free, model)[0] == "front left: up 0.20 mm, clockwise seen from below"
    said = plan_sentences(free, replace(model, clockwise=None))
    assert said[0].startswith("which way round is not known: first turn front right a little clockwise")
    assert said[1:3] == ("front left: up 0.20 mm", "front right: down 0.35 mm")


def test_without_a_plan_one_tooth_shows_how_far_it_lifts(bench) -> None:
    assert plan_sentences(None, bench.model) == (
        (
            "how far one tooth lifts is not known yet: turn one screw by one tooth and mesh again, hot; the moves "
            "follow from that mesh"
        ),
        "rear: the reference, never turned",
    )


def test_shims_are_said_mount_by_mount() -> None:
    assert shim_sentences(PLAN) == ("front right: shim 0.20 mm", "rear: shim 0.05 mm")


def test_advice_is_one_sentence_in_order(bench) -> None:
    one = Assessment(machine="heron-01", model=bench.model, aisle="heron", in_service=True, advice=("realign", "shim"))
    assert advice_sentence(one) == "Realign its screws, then shim what is left."
    assert advice_sentence(replace(one, advice=())) == ""
    assert advice_phrase(one.advice) == "realign its screws, then shim what is left"
    assert advice_phrase(("leave", "check-host")) == "no action needed, and fix its host: no mesh comes from it"
    assert advice_phrase(("inspect-drive", "realign"), short=True) == "check the drive, then realign its screws"


def test_a_cause_that_is_unclear_says_what_it_looks_like(bench) -> None:
    one = Assessment(machine="heron-01", model=bench.model, aisle="heron", in_service=True, cause="screws")
    assert cause_phrase(one) == cause_phrase(replace(one, suspected_cause="screws")) == "tilted: a Z screw is off"
    unclear = replace(one, cause="unclear", suspected_cause="screws")
    assert cause_phrase(unclear) == "not clear yet; looks like tilted: a Z screw is off"


@pytest.mark.parametrize(
    ("teeth", "mm", "said"),
    [
        (2, 0.8, "up 2 teeth"),
        (-1, -0.4, "down 1 tooth"),
        (0, 0.0, ""),
        (None, -0.35, "down 0.35 mm"),
        (None, 0.004, ""),
    ],
)
def test_an_amount_has_a_way_and_a_count(teeth: int | None, mm: float, said: str) -> None:
    assert amount_phrase(teeth, mm) == said
