"""The life of a ticket as a table: which action leads from which phase to which, and who may take it.

    proposed -> approved -> in-work -> proving -> proven
                   ^           |          |
                   +- came-back <---------+        accepted, nothing-found and withdrawn end it from where they may;
                                                    accepted may still be withdrawn, and `reopen` brings a
                                                    closed one back: proven as came-back, any other as proposed

This module holds the table and the rule that reads it, nothing else: no clock, no store. `_TABLE` is the whole
truth; an action that it does not name for a phase is refused, and the refusal lists what is possible.
"""

from __future__ import annotations

from typing import Literal

from farmwatch.errors import InputError

__all__ = ["ACTIONS", "CLOSED", "OPEN", "PHASES", "Action", "Phase", "follows", "possible"]

Phase = Literal[
    "proposed", "approved", "in-work", "proving", "proven", "came-back", "accepted", "nothing-found", "withdrawn"
]
Action = Literal[
    "approve",
    "assign",
    "take",
    "put-back",
    "done",
    "prove",
    "fail",
    "accept",
    "nothing-found",
    "withdraw",
    "reopen",
    "refresh",
]

PHASES: tuple[Phase, ...] = (
    "proposed", "approved", "in-work", "proving", "proven", "came-back", "accepted", "nothing-found", "withdrawn",
)  # fmt: skip
CLOSED: frozenset[Phase] = frozenset({"proven", "accepted", "nothing-found", "withdrawn"})
OPEN: frozenset[Phase] = frozenset(PHASES) - CLOSED

_TABLE: dict[tuple[Phase, Action], Phase] = {
    ("proposed", "approve"): "approved",
    ("proposed", "accept"): "accepted",
    ("proposed", "withdraw"): "withdrawn",
    ("proposed", "refresh"): "proposed",
    ("approved", "assign"): "approved",
    ("approved", "take"): "in-work",
    ("approved", "accept"): "accepted",
    ("approved", "withdraw"): "withdrawn",
    ("approved", "refresh"): "approved",
    ("in-work", "put-back"): "approved",
    ("in-work", "done"): "proving",
    ("in-work", "accept"): "accepted",
    ("in-work", "nothing-found"): "nothing-found",
    ("in-work", "withdraw"): "withdrawn",
    ("proving", "prove"): "proven",
    ("proving", "fail"): "came-back",
    ("proving", "take"): "in-work",
    ("proving", "withdraw"): "withdrawn",
    ("came-back", "approve"): "approved",
    ("came-back", "take"): "in-work",
    ("came-back", "accept"): "accepted",
    ("came-back", "withdraw"): "withdrawn",
    ("came-back", "refresh"): "came-back",
    # The way back of an acceptance: the ticket stays closed, and the machine may be proposed anew.
    ("accepted", "withdraw"): "withdrawn",
    # What was closed by mistake, or too early.
    ("proven", "reopen"): "came-back",
    ("accepted", "reopen"): "proposed",
    ("nothing-found", "reopen"): "proposed",
    ("withdrawn", "reopen"): "proposed",
}
ACTIONS: tuple[Action, ...] = tuple(dict.fromkeys(action for _, action in _TABLE))

# Readings decide these, or new numbers do; no person does.
_OF_THE_PROGRAM: frozenset[Action] = frozenset({"prove", "fail", "refresh"})


def possible(phase: Phase) -> tuple[Action, ...]:
    """What a person can do with a ticket in that phase, in the order of the table."""
    return tuple(action for start, action in _TABLE if start == phase and action not in _OF_THE_PROGRAM)


def follows(number: int, phase: Phase, action: Action) -> Phase:
    """The phase that `action` leads to; raises InputError, naming what is possible, where it cannot follow."""
    to = _TABLE.get((phase, action))
    if to is not None:
        return to
    choices = possible(phase)
    rest = f"possible now: {', '.join(choices)}" if choices else "it is closed; nothing follows"
    raise InputError(f"ticket {number} is {phase}: {action} cannot follow; {rest}")
