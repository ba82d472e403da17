"""What a poll makes of the answers: tells new from same and from another machine's, and stores them in batches."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from datetime import datetime
from typing import Protocol

from farmwatch.collect.attempt import PollAttempt
from farmwatch.collect.hosttime import MOST_AHEAD, believable, why_not_believed
from farmwatch.collect.mapping import HostMesh
from farmwatch.config import Settings
from farmwatch.history import CelsiusIs, Reading, TimeFrom
from farmwatch.outcomes import Outcome
from farmwatch.store import PollRecord
from farmwatch.store.records import LastAnswer, LastMesh
from farmwatch.times import clock_is_set

__all__ = ["Memory", "OnAttempt", "RoundRecorder", "reading_of"]

# A batch is stored when it is this long or this old: every one opens the database, so a round takes few, and no more is
# lost than two seconds bring.
BATCH = 5000
BATCH_SECONDS = 2.0

OnAttempt = Callable[[PollRecord, int, int], None]
"""Called after each machine with its record, how many are done and how many there are."""


class Memory(Protocol):
    """What a poll wants of the store."""

    def last_digests(self, until: datetime | None = None) -> dict[str, LastMesh]:
        """What the newest reading of each machine at or before `until` (aware) is known by."""

    def last_answers(self) -> dict[str, LastAnswer]:
        """What came of the last try at each machine."""

    def identities(self) -> dict[str, str]:
        """What each machine's host called itself at first contact."""

    def pin(self, found: dict[str, str], at: datetime) -> None:
        """Pin identities of machines that have none yet."""

    def knows(self, reading: Reading) -> bool:
        """Whether this mesh of this machine and time is stored."""

    def add_round(self, new: Sequence[Reading], records: Sequence[PollRecord]) -> int:
        """Store readings and records; returns how many readings were new."""


def reading_of(
    machine: str, found: HostMesh, seen_at: datetime, *, first: bool, celsius_is: CelsiusIs, in_work: bool = False
) -> Reading:
    """The reading that a mesh makes: at its host's time where that is believable, else when it was seen.

    `first` says that no reading of the machine is known: seen without a time of its own, its age is unknown. So is that
    of every reading while our own clock was never set; no host's time can be held against it then.
    """
    time_from: TimeFrom = "host"
    taken_at = found.taken_at
    if not clock_is_set(seen_at):
        taken_at, time_from = seen_at, "unknown"
    elif taken_at is None or not believable(taken_at, seen_at):
        taken_at = seen_at
        time_from = "unknown" if first else "seen"
    return Reading(
        machine=machine,
        taken_at=taken_at,
        seen_at=seen_at,
        time_from=time_from,
        mesh=found.mesh,
        bed_celsius=found.bed_celsius,
        celsius_is=celsius_is,
        plate=found.plate,
        during_work=in_work,
        read_by=found.read_by,
        answer=found.answer,
    )


class RoundRecorder:
    """Takes answers in turn: tells new from same, and stores readings and records in batches."""

    def __init__(
        self,
        settings: Settings,
        store: Memory,
        now: datetime,
        total: int,
        on_progress: OnAttempt | None,
        in_work: frozenset[str],
    ) -> None:
        self._celsius_is = {m.name: settings.mappings[m.mapping].temperature_is for m in settings.machines if m.mapping}
        self._store = store
        self._now = now
        self._total = total
        self._on_progress = on_progress
        self._in_work = in_work
        # What a wrong clock dated ahead is not what these meshes are compared with.
        self._last = store.last_digests(until=now + MOST_AHEAD) if total else {}
        self._pins = store.identities() if total else {}
        self._records: list[PollRecord] = []
        self._unstored = 0
        self._readings: list[Reading] = []
        self._new_pins: dict[str, str] = {}
        self._new = 0
        self._stored_at = time.monotonic()
        self._meshes: dict[str, list[str]] = {}
        self._identities: dict[str, list[str]] = {}

    def __enter__(self) -> RoundRecorder:
        return self

    def __exit__(self, *_: object) -> None:
        self.flush()

    def take(self, attempt: PollAttempt | None) -> None:
        """Take one answer; None only gives an old batch the occasion to be stored."""
        if attempt is not None:
            record = self._record(attempt)
            self._records.append(record)
            if self._on_progress is not None:
                self._on_progress(record, len(self._records), self._total)
        waiting = len(self._records) - self._unstored
        if waiting >= BATCH or (waiting and time.monotonic() - self._stored_at >= BATCH_SECONDS):
            self.flush()

    def flush(self) -> None:
        """Store what was gathered since the last time."""
        readings, self._readings = self._readings, []
        pins, self._new_pins = self._new_pins, {}
        records = self._records[self._unstored :]
        self._unstored = len(self._records)
        self._stored_at = time.monotonic()
        if records or readings:
            self._new += self._store.add_round(readings, records)
        if pins:
            self._store.pin(pins, self._now)

    @property
    def records(self) -> tuple[PollRecord, ...]:
        """A record per answer taken, in their order."""
        return tuple(self._records)

    @property
    def new_readings(self) -> int:
        """How many readings were stored that did not stand before."""
        return self._new

    def warnings(self) -> tuple[str, ...]:
        """What needs a second look: one mesh, or one identity, under two names."""
        return (*_shared(self._meshes, "the same mesh"), *_shared(self._identities, "the same identity"))

    def _record(self, attempt: PollAttempt) -> PollRecord:
        outcome, reason = attempt.outcome, attempt.reason
        if attempt.found is not None:
            outcome, more = self._outcome(attempt, attempt.found)
            reason = "; ".join(part for part in (more, reason) if part)
        return PollRecord(
            machine=attempt.machine, at=attempt.at, outcome=outcome, reason=reason, seconds=attempt.seconds
        )

    def _outcome(self, attempt: PollAttempt, found: HostMesh) -> tuple[Outcome, str]:
        name = attempt.machine
        if found.identity is not None:
            self._identities.setdefault(found.identity, []).append(name)
            pinned = self._pins.get(name)
            if pinned is None:
                self._pins[name] = self._new_pins[name] = found.identity
            elif pinned != found.identity:
                return "other-machine", f"it calls itself {found.identity!r}; the machine known here is {pinned!r}"
        digest = found.mesh.digest()
        if found.mesh.range_mm > 0:
            self._meshes.setdefault(digest, []).append(name)
        last = self._last.get(name)
        if last is not None and last.digest == digest:
            return "same", ""
        reading = reading_of(
            name,
            found,
            attempt.at,
            first=last is None,
            celsius_is=self._celsius_is[name],
            in_work=name in self._in_work,
        )
        more = why_not_believed(found.taken_at, attempt.at) if found.taken_at else ""
        if last is not None and _stands_still(reading, last) and not self._store.knows(reading):
            reading = replace(reading, taken_at=attempt.at, time_from="seen")
            more = "its time stands still: counted from when it was seen"
        if last is not None and reading.taken_at <= last.taken_at:
            return self._earlier(reading)
        self._last[name] = LastMesh(
            machine=name, taken_at=reading.taken_at, seen_at=attempt.at, time_from=reading.time_from, digest=digest
        )
        self._readings.append(reading)
        return "new", more

    def _earlier(self, reading: Reading) -> tuple[Outcome, str]:
        """A mesh from before the newest one: a host that shows an old mesh again, or whose clock was set back."""
        if self._store.add_round([reading], ()):
            self._new += 1
            return "new", "its time is before that of the newest reading: was its clock set back?"
        return "same", "it shows an earlier mesh again"


def _stands_still(reading: Reading, last: LastMesh) -> bool:
    """Whether a host gives another mesh the time of its newest one, or one from before it was last counted as seen."""
    stopped = last.time_from == "seen" and reading.taken_at < last.taken_at
    return reading.time_from == "host" and (stopped or reading.taken_at == last.taken_at)


def _shared(machines_by: dict[str, list[str]], what: str) -> Iterator[str]:
    for names in machines_by.values():
        if len(names) > 1:
            listed = f"{', '.join(sorted(names)[:-1])} and {sorted(names)[-1]}"
            yield f"{listed} answered with {what}: are they names for one host?"
