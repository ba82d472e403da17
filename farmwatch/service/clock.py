"""Notices that the clock was set, or that the computer slept: what waits for a time of day must look again.

The scheduler sleeps until its next moment by the clock. Set back an hour, it would sleep an hour too long.
"""

from __future__ import annotations

__all__ = ["ClockWatch"]

JUMP_SECONDS = 5.0


class ClockWatch:
    """Compares the clock with one that nobody sets."""

    def __init__(self, wall: float, steady: float) -> None:
        self._wall, self._steady = wall, steady

    def jumped(self, wall: float, steady: float) -> float:
        """By how many seconds the clock has left the steady one since the last call; 0.0 for what is no jump."""
        gap = (wall - self._wall) - (steady - self._steady)
        self._wall, self._steady = wall, steady
        return gap if abs(gap) >= JUMP_SECONDS else 0.0
