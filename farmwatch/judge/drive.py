"""Signs that a belt drive does not hold: a screw that jumps again, a repair that came back."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta

from farmwatch.follow import Step
from farmwatch.history import Note, Work
from farmwatch.judge.cause import DriveFault

__all__ = ["find_drive_fault", "repeated_jumps"]

JUMPED_AGAIN_WITHIN = timedelta(days=90)
CAME_BACK_WITHIN = timedelta(days=28)


def repeated_jumps(steps: Sequence[Step], notes: Sequence[Note], at: datetime) -> tuple[Step, ...]:
    """Tooth jumps of a screw that jumped again within 90 days, the last of them no longer ago than that at `at`.

    Empty where nothing repeats, or something was done to belt or pulley since the last.
    """
    renewed = [note.at for note in notes if note.what in ("belt", "pulley") and note.at <= at]
    again: list[Step] = []
    for screw in dict.fromkeys(step.screw for step in steps):
        jumps = [step for step in steps if step.name == "tooth-jump" and step.screw == screw]
        # A new belt between the two clears nobody: the screw jumped again in spite of it.
        near = [jump for jump in jumps if jumps[-1].at - jump.at <= JUMPED_AGAIN_WITHIN]
        settled = any(done >= jump.at for done in renewed for jump in near[-1:])
        if len(near) > 1 and not settled and at - near[-1].at <= JUMPED_AGAIN_WITHIN:
            again += near
    return tuple(again)


def find_drive_fault(
    steps: Sequence[Step], works: Sequence[Work], notes: Sequence[Note], past_since: datetime | None, at: datetime
) -> DriveFault | None:
    """What speaks against the drive at `at`, or None.

    Repeated tooth jumps at one screw, or the range past its limit (`past_since`) within 28 days of a repair.
    """
    if repeated_jumps(steps, notes, at):
        return "jumped-again"
    if past_since is None:
        return None
    repairs = [work.end for work in works if work.end is not None] + [s.at for s in steps if s.name == "repair"]
    if any(timedelta(0) < past_since - done <= CAME_BACK_WITHIN for done in repairs):
        return "came-back"
    return None
