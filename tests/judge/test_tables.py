"""Every cause and every advice has its row, and a row says all that is asked of it."""

from typing import get_args

import pytest

from farmwatch.judge.tables import ADVICE, CAUSES, Advice, Cause


def test_every_code_has_its_row_in_the_order_of_the_codes() -> None:
    assert tuple(CAUSES) == get_args(Cause)
    assert tuple(ADVICE) == get_args(Advice)


@pytest.mark.parametrize("advice", ADVICE)
def test_a_row_of_advice_is_whole(advice: Advice) -> None:
    row = ADVICE[advice]
    assert row.words
    assert row.joint.startswith(", ")
    assert bool(row.asks) == bool(row.command) == bool(row.then) == (row.decision_rank < 99)
    assert not (row.idle and row.reach_in)
    # What is done with the hands is a method that a finished ticket can name.
    assert row.method or not row.reach_in


def test_no_two_decisions_share_a_place() -> None:
    ranks = [row.decision_rank for row in ADVICE.values() if row.asks]
    assert len(ranks) == len(set(ranks))


@pytest.mark.parametrize("cause", CAUSES)
def test_a_cause_that_sends_somebody_says_whose_fault_it_is(cause: Cause) -> None:
    assert CAUSES[cause].words
    assert bool(CAUSES[cause].whose) == CAUSES[cause].technician
