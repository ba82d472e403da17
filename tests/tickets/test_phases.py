"""The table of phases: what follows, and that nothing else does."""

import itertools

import pytest

from farmwatch.errors import InputError
from farmwatch.tickets.phases import ACTIONS, CLOSED, OPEN, PHASES, follows, possible

WAY = {
    ("proposed", "approve"): "approved", ("approved", "take"): "in-work", ("in-work", "done"): "proving",
    ("proving", "prove"): "proven", ("proving", "fail"): "came-back", ("came-back", "take"): "in-work",
    ("in-work", "nothing-found"): "nothing-found", ("proposed", "accept"): "accepted",
}  # fmt: skip


@pytest.mark.parametrize(("start", "to"), WAY.items())
def test_the_way_through_a_repair(start: tuple[str, str], to: str) -> None:
    assert follows(1, *start) == to  # type: ignore[arg-type]


@pytest.mark.parametrize("phase", sorted(CLOSED))
@pytest.mark.parametrize("action", ACTIONS)
def test_a_closed_ticket_can_only_be_opened_again_and_an_acceptance_be_ended(phase: str, action: str) -> None:
    ways = {
        ("accepted", "withdraw"): "withdrawn",
        ("proven", "reopen"): "came-back",
        ("accepted", "reopen"): "proposed",
        ("nothing-found", "reopen"): "proposed",
        ("withdrawn", "reopen"): "proposed",
    }
    if (phase, action) in ways:
        assert follows(7, phase, action) == ways[phase, action]  # type: ignore[arg-type]
        return
    with pytest.raises(InputError, match=r"possible now: .*reopen"):
        follows(7, phase, action)  # type: ignore[arg-type]


def test_an_impossible_action_is_refused_with_what_is_possible() -> None:
    with pytest.raises(InputError, match="ticket 7 is proposed: done cannot follow; possible now: approve, accept"):
        follows(7, "proposed", "done")


def test_every_open_phase_has_a_way_out_and_every_closed_one_a_way_in() -> None:
    reached = {
        follows(1, phase, action)
        for phase, action in itertools.product(PHASES, ACTIONS)
        if phase in OPEN and _can(phase, action)
    }
    assert set(PHASES) - reached <= {"proposed"}
    assert all(possible(phase) for phase in OPEN)


def _can(phase: str, action: str) -> bool:
    try:
        follows(1, phase, action)  # type: ignore[arg-type]
    except InputError:
        return False
    return True
