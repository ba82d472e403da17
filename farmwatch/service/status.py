"""What the service counts and remembers of itself while it runs, for its health, its figures and its log."""

from __future__ import annotations

import threading
import time
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime

from farmwatch.outcomes import OUTCOMES, Outcome
from farmwatch.store import StoreState

__all__ = ["MOST_MACHINES", "Facts", "MachineFigures", "Problem", "ServiceStatus"]

# What reads the figures keeps every series for good: a farm larger than that is told by its counts.
MOST_MACHINES = 2_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Problem:
    """One thing that is amiss: which, since when, and in words what it is and what to do."""

    what: str
    words: str
    since: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class MachineFigures:
    """One machine as last assessed: its condition, the range that it rests on, and when that mesh was taken (epoch)."""

    name: str
    condition: str
    range_mm: float | None
    taken_at: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Facts:
    """How the service stands at one moment. Times UTC."""

    started_at: datetime
    polls: Mapping[Outcome, int] = field(default_factory=lambda: dict.fromkeys(OUTCOMES, 0))
    late: int = 0
    round_ended_at: datetime | None = None
    since_round_seconds: float = 0.0
    """Since a round ended, or the start, by the clock that nobody sets."""
    failing: int = 0
    """Machines whose last try failed."""
    store: StoreState = field(default_factory=StoreState)
    newest_reading_at: datetime | None = None
    machines: tuple[MachineFigures, ...] = ()
    """Of the machines of the farm, at the most `MOST_MACHINES`, as last assessed."""
    conditions: Mapping[str, int] = field(default_factory=dict)
    """Machines in service by condition, as last assessed."""
    assessed_at: datetime | None = None
    report: str | None = None
    reported_at: datetime | None = None
    next_report_at: datetime | None = None
    backed_up_at: datetime | None = None
    letters: int = 0
    """Waiting to be delivered."""
    problems: tuple[Problem, ...] = ()


class ServiceStatus:
    """The newest facts, shared by the threads of the service."""

    def __init__(self, started_at: datetime) -> None:
        self._lock = threading.Lock()
        self._facts = Facts(started_at=started_at)
        self._polls: Counter[Outcome] = Counter()
        self._problems: dict[str, Problem] = {}
        self._round_ended = time.monotonic()

    @property
    def facts(self) -> Facts:
        """How it stands now."""
        with self._lock:
            return replace(
                self._facts,
                since_round_seconds=time.monotonic() - self._round_ended,
                polls={outcome: self._polls[outcome] for outcome in OUTCOMES},
                problems=tuple(self._problems.values()),
            )

    def count(self, outcome: Outcome) -> None:
        """A machine was asked."""
        with self._lock:
            self._polls[outcome] += 1

    def note(self, **changes: object) -> None:
        """Put new facts in the place of old ones."""
        with self._lock:
            if "round_ended_at" in changes:
                self._round_ended = time.monotonic()
            self._facts = replace(self._facts, **changes)  # type: ignore[arg-type]  # names are those of Facts

    def add_late(self, number: int) -> None:
        """So many machines were asked later than they should have been."""
        with self._lock:
            self._facts = replace(self._facts, late=self._facts.late + number)

    def report_problem(self, what: str, words: str, now: datetime) -> bool:
        """Something is amiss, or still is; returns whether these words are new."""
        with self._lock:
            known = self._problems.get(what)
            since = known.since if known else now
            self._problems[what] = Problem(what=what, words=words, since=since)
            return known is None or known.words != words

    def clear_problem(self, what: str) -> bool:
        """It is amiss no more; returns whether it was."""
        with self._lock:
            return self._problems.pop(what, None) is not None
