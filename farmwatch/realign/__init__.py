"""Guided realignment: one machine followed closely, a move at a time, until whole teeth get no closer."""

from farmwatch.realign.coach import Advice, Findings, Seen, Turn, advise, careful_after, clockwise_teeth, compare
from farmwatch.realign.look import Look, look_at
from farmwatch.realign.session import Bench, Screen, Session

__all__ = [
    "Advice", "Bench", "Findings", "Look", "Screen", "Seen", "Session", "Turn", "advise", "careful_after",
    "clockwise_teeth", "compare", "look_at",
]  # fmt: skip
