"""Guided realignment: one machine followed closely, a move at a time, until whole teeth get no closer."""

from farmwatch.realign.bed import BedState, bed_state
from farmwatch.realign.coach import Findings, NextMove, Seen, Turn, careful_after, clockwise_teeth, compare, next_move
from farmwatch.realign.session import Bench, Screen, Session

__all__ = [
    "BedState",
    "Bench",
    "Findings",
    "NextMove",
    "Screen",
    "Seen",
    "Session",
    "Turn",
    "bed_state",
    "careful_after",
    "clockwise_teeth",
    "compare",
    "next_move",
]  # fmt: skip
