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
    assert row.work
    # Who is sent to the machine is told how long it takes.
    assert (row.bench_hours is not None) == row.reach_in
    assert not (row.idle and row.reach_in)
    # What is done with the hands is a method that a finished ticket can name.
    assert row.method or not row.reach_in


@pytest.mark.parametrize("cause", CAUSES)
def test_a_cause_that_sends_somebody_says_whose_fault_it_is(cause: Cause) -> None:
    assert CAUSES[cause].words
    assert bool(CAUSES[cause].whose) == CAUSES[cause].technician
    assert bool(CAUSES[cause].short) == (cause != "none")
