"""The store as a poll sees it, through fire: what cannot be read or stored just now."""

from __future__ import annotations

import logging
from collections.abc import Sequence
from datetime import datetime

from farmwatch.history import Reading
from farmwatch.service.logs import log_event
from farmwatch.store import DurableWriter, PollRecord, StoreError
from farmwatch.store.records import LastAnswer, LastMesh

__all__ = ["PollState"]

_log = logging.getLogger(__name__)


class PollState:
    """The store as a poll sees it: what cannot be read is as it was last known, what cannot be stored waits."""

    def __init__(self, writer: DurableWriter) -> None:
        self._writer = writer
        self._store = writer.store
        self._digests: dict[str, LastMesh] = {}
        self._added_at: datetime | None = None
        self._answers: dict[str, LastAnswer] = {}
        self._identities: dict[str, str] = {}
        self._claims: frozenset[str] = frozenset()
        self._in_work: frozenset[str] = frozenset()
        self.written = False
        """Whether something was written, or could not be, since this was last looked at."""

    def last_digests(self, until: datetime | None = None) -> dict[str, LastMesh]:
        """What the newest reading of each machine at or before `until` is known by, the waiting ones too."""
        self._digests = self._writer.last_digests(until)
        self._added_at = None
        return dict(self._digests)

    def last_answers(self) -> dict[str, LastAnswer]:
        """What came of the last try at each machine."""
        try:
            self._answers = self._store.last_answers()
        except StoreError:
            _unread("last answers")
        return self._answers

    def identities(self) -> dict[str, str]:
        """What each host called itself at first contact."""
        try:
            self._identities = self._store.identities()
        except StoreError:
            _unread("identities")
        return dict(self._identities)

    def pin(self, found: dict[str, str], at: datetime) -> None:
        """Pin identities of machines that have none yet."""
        self._identities |= found
        try:
            self._store.pin(found, at)
        except StoreError:
            # They are not pinned in the database, so the next answers bring them here again.
            _unread("identities")

    def knows(self, reading: Reading) -> bool:
        """Whether this mesh of this machine and time is stored; not, as far as is known, while nothing can be read."""
        try:
            return self._store.knows(reading)
        except StoreError:
            _unread("one reading")
            return False

    def add_round(self, new: Sequence[Reading], records: Sequence[PollRecord]) -> int:
        """Write readings and records; returns how many are kept."""
        self.written = True
        self._added_at = max((one.taken_at for one in new), default=self._added_at)
        written = self._writer.write(new, records)
        return written.stored + written.waiting

    def claims(self, now: datetime) -> frozenset[str]:
        """Machines that a guided realignment has claimed."""
        try:
            self._claims = frozenset(self._store.claims(now))
        except StoreError:
            _unread("which machines are claimed")
        return self._claims

    def in_work(self) -> frozenset[str]:
        """Machines with a ticket in work."""
        try:
            self._in_work = self._store.in_work()
        except StoreError:
            _unread("tickets in work")
        return self._in_work

    def newest_reading_at(self) -> datetime | None:
        """When the newest reading known was taken."""
        known = [one.taken_at for one in self._digests.values()]
        return max([*known, self._added_at] if self._added_at else known, default=None)


def _unread(what: str) -> None:
    log_event(_log, logging.DEBUG, "not-read", what=what)
