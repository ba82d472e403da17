"""Signs that a belt drive does not hold: a screw that jumps again, a repair that came back."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta

from farmwatch.follow import Step
from farmwatch.history import Note, Work
from farmwatch.judge.cause import DriveFault

__all__ = ["find_drive_fault"]

JUMPED_AGAIN_WITHIN = timedelta(days=90)
CAME_BACK_WITHIN = timedelta(days=28)


def find_drive_fault(
    steps: Sequence[Step], works: Sequence[Work], notes: Sequence[Note], past_since: datetime | None, at: datetime
) -> DriveFault | None:
    """What speaks against the drive at `at`, or None.

    A second tooth jump at one screw within 90 days, the last one no longer ago than that and nothing done to belt or
    pulley since the last; or the range past its limit (`past_since`) within 28 days of a repair.
    """
    renewed = [note.at for note in notes if note.what in ("belt", "pulley") and note.at <= at]
    jumps = [step for step in steps if step.name == "tooth-jump"]
    for i, later in enumerate(jumps):
        if any(done >= later.at for done in renewed):
            continue
        # A new belt between the two clears nobody: the screw jumped again in spite of it.
        again = any(
            earlier.screw == later.screw and later.at - earlier.at <= JUMPED_AGAIN_WITHIN for earlier in jumps[:i]
        )
        if again and at - later.at <= JUMPED_AGAIN_WITHIN:
            return "jumped-again"
    if past_since is None:
        return None
    repairs = [work.end for work in works if work.end is not None] + [s.at for s in steps if s.name == "repair"]
    if any(timedelta(0) < past_since - done <= CAME_BACK_WITHIN for done in repairs):
        return "came-back"
    return None
