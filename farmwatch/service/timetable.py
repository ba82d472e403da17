"""When each machine is asked next: its interval with a little jitter, and longer waits at a host that fails.

Pure but for what it remembers: `now` and the generator are arguments. Moments that went by unused (the service was
down, the computer slept) collapse into one; a clock that was set back is noticed, since nobody waits longer than was
meant.
"""

from __future__ import annotations

import random
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

from farmwatch.outcomes import OUTCOMES, Outcome

__all__ = ["Due", "Timetable", "wait_after"]

JITTER = 0.05
# A host that was switched off overnight is to be found again soon after it is switched on.
LONGEST_BACK_OFF = timedelta(hours=2)
LONGEST_WAIT_AT_FAILURE = timedelta(days=1)
# Under this a poll still counts as on time.
SLACK = timedelta(seconds=30)
SLACK_SHARE = 0.1


def wait_after(interval: timedelta, failures: int) -> timedelta:
    """How long to wait after so many failures in a row: doubled each time up to two hours, and at most a day.

    An interval over two hours is kept, and one over a day is cut to a day while the host fails.
    """
    if not failures:
        return interval
    doubled = interval * (1 << min(failures, 20))
    return min(max(interval, min(doubled, LONGEST_BACK_OFF)), LONGEST_WAIT_AT_FAILURE)


@dataclass(frozen=True, slots=True)
class Due:
    """The machines to ask now, in the order of the configuration, and how many of them should have been before."""

    names: tuple[str, ...]
    late: int


@dataclass(slots=True)
class _Turn:
    interval: timedelta
    next_at: datetime | None = None
    """None: at once."""
    wait: timedelta = timedelta(0)
    failures: int = 0


class Timetable:
    """Next tries by machine. Not thread-safe: one step at a time works with it."""

    def __init__(self, rng: random.Random) -> None:
        self._rng = rng
        self._entries: dict[str, _Turn] = {}

    def set_intervals(self, intervals: Mapping[str, timedelta]) -> None:
        """The machines to ask and how often; what is known of machines that stay is kept."""
        old, self._entries = self._entries, {}
        for name, interval in intervals.items():
            entry = old.get(name)
            if entry is not None and entry.interval == interval:
                self._entries[name] = entry
            else:
                self._entries[name] = _Turn(interval)

    def due(self, now: datetime, leave_alone: Iterable[str] = ()) -> Due:
        """Machines whose time has come; those to leave alone stay due until they are free."""
        alone = frozenset(leave_alone)
        names, late = [], 0
        for name, entry in self._entries.items():
            if entry.next_at is not None and entry.next_at - now > entry.wait:
                # The clock was set back.
                entry.next_at = now + entry.wait
            if name in alone or (entry.next_at is not None and entry.next_at > now):
                continue
            names.append(name)
            if entry.next_at is not None and now - entry.next_at > max(SLACK, entry.interval * SLACK_SHARE):
                late += 1
        return Due(tuple(names), late)

    def hasten(self, name: str, now: datetime) -> None:
        """A machine is due at once, since a person wants to know."""
        entry = self._entries.get(name)
        if entry is not None and entry.next_at is not None:
            entry.next_at = min(entry.next_at, now)

    def asked(self, name: str, outcome: Outcome | None, now: datetime) -> None:
        """A machine was asked (None: not reached before the end) and is due again after its interval, or later."""
        entry = self._entries.get(name)
        if entry is None:
            return
        entry.failures = entry.failures + 1 if outcome and OUTCOMES[outcome].failure else 0
        wait = wait_after(entry.interval, entry.failures)
        # All are asked when the service starts; from then on they are spread over the interval.
        shortest = 0.1 if entry.next_at is None else 1 - JITTER
        entry.wait = wait
        entry.next_at = now + wait * self._rng.uniform(shortest, 1.0)

    def failing(self) -> int:
        """How many machines failed at their last try."""
        return sum(entry.failures > 0 for entry in self._entries.values())

    def shortest(self) -> timedelta | None:
        """The shortest interval; None where there is no machine to ask."""
        return min((entry.interval for entry in self._entries.values()), default=None)
