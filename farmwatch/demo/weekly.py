"""What the polls of the demo keep in mind, stored a week at a time.

The store is opened and closed for every round of polls, which costs nothing once a day and half a minute for months of
days in a row. Here it sees the same readings and records in larger batches.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from farmwatch.history import Reading
from farmwatch.store import PollRecord, Store
from farmwatch.store.records import LastAnswer, LastMesh

__all__ = ["WeeklyStore"]

ROUNDS_A_BATCH = 7


class WeeklyStore:
    """A `collect.poll.Memory` over a store that nobody else writes meanwhile; `flush` stores what is left."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._last = store.last_digests()
        self._answers = store.last_answers()
        self._identities = store.identities()
        self._readings: list[Reading] = []
        self._records: list[PollRecord] = []
        self._rounds = 0

    def last_digests(self, until: datetime | None = None) -> dict[str, LastMesh]:  # noqa: ARG002  # nothing lies ahead here
        """What the newest reading of each machine is known by."""
        return dict(self._last)

    def last_answers(self) -> dict[str, LastAnswer]:
        """The last try at each machine, as of the last batch that was stored."""
        return dict(self._answers)

    def identities(self) -> dict[str, str]:
        """What each machine's host called itself at first contact."""
        return dict(self._identities)

    def pin(self, found: dict[str, str], at: datetime) -> None:
        """Pin identities of machines that have none yet."""
        self._store.pin(found, at)
        self._identities = {**found, **self._identities}

    def knows(self, reading: Reading) -> bool:
        """Whether this mesh of this machine and time is stored."""
        return self._store.knows(reading)

    def add_round(self, new: Sequence[Reading], records: Sequence[PollRecord]) -> int:
        """Keep readings and records; returns how many readings were new."""
        if any(self._is_late(reading) for reading in new):
            # Whether a mesh of the past is known already, only the store can tell.
            self.flush()
            return self._store.add_round(new, records)
        self._readings.extend(new)
        self._records.extend(records)
        for reading in new:
            self._last[reading.machine] = LastMesh(
                machine=reading.machine,
                taken_at=reading.taken_at,
                seen_at=reading.seen_at,
                time_from=reading.time_from,
                digest=reading.mesh.digest(),
            )
        self._rounds += 1
        if self._rounds % ROUNDS_A_BATCH == 0:
            self.flush()
        return len(new)

    def flush(self) -> None:
        """Store what was gathered since the last time."""
        readings, self._readings = self._readings, []
        records, self._records = self._records, []
        self._store.add_round(readings, records)
        self._answers = self._store.last_answers()

    def _is_late(self, reading: Reading) -> bool:
        last = self._last.get(reading.machine)
        return last is not None and reading.taken_at <= last.taken_at
