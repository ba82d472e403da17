"""Guided realignment: one machine followed closely, a move at a time, until whole teeth get no closer."""

from farmwatch.realign.coach import Advice, Findings, Seen, Turn, advise, clockwise_teeth, compare
from farmwatch.realign.look import Look, look_at

__all__ = ["Advice", "Findings", "Look", "Seen", "Turn", "advise", "clockwise_teeth", "compare", "look_at"]
