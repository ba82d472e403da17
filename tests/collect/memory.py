"""A store in memory: what a poll wants of the real one."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from farmwatch.history import Reading
from farmwatch.store import PollRecord
from farmwatch.store.records import LastAnswer, LastMesh

__all__ = ["FakeStore"]


class FakeStore:
    def __init__(self) -> None:
        self.readings: list[Reading] = []
        self.polls: list[PollRecord] = []
        self.pins: dict[str, str] = {}
        self.batches: list[int] = []

    def last_digests(self, until: datetime | None = None) -> dict[str, LastMesh]:
        newest = {reading.machine: reading for reading in sorted(self.readings, key=lambda r: r.taken_at)}
        return {
            name: LastMesh(
                machine=name,
                taken_at=reading.taken_at,
                seen_at=reading.seen_at,
                time_from=reading.time_from,
                digest=reading.mesh.digest(),
            )
            for name, reading in newest.items()
        }

    def last_answers(self) -> dict[str, LastAnswer]:
        return {
            poll.machine: LastAnswer(machine=poll.machine, polled_at=poll.at, outcome=poll.outcome, reason=poll.reason)
            for poll in self.polls
        }

    def identities(self) -> dict[str, str]:
        return dict(self.pins)

    def pin(self, found: dict[str, str], at: datetime) -> None:
        self.pins = {**found, **self.pins}

    def knows(self, reading: Reading) -> bool:
        key = (reading.machine, reading.taken_at, reading.mesh.digest())
        return key in {(one.machine, one.taken_at, one.mesh.digest()) for one in self.readings}

    def add_round(self, new: Sequence[Reading], records: Sequence[PollRecord]) -> int:
        known = {(r.machine, r.taken_at, r.mesh.digest()) for r in self.readings}
        fresh = [r for r in new if (r.machine, r.taken_at, r.mesh.digest()) not in known]
        self.readings += fresh
        self.polls += records
        self.batches.append(len(records))
        return len(fresh)
