"""Writes what polls bring whatever befalls the database: stored, waiting in the pending file, or counted as lost."""

from __future__ import annotations

import threading
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from farmwatch.files import how_to_own
from farmwatch.history import Reading
from farmwatch.store.errors import StoreBusy, StoreDamaged, StoreError, StoreFull, StoreGone, StoreNewer, StoreReadOnly
from farmwatch.store.pending import Batch, PendingFile
from farmwatch.store.records import LastMesh, PollRecord, StoreKind
from farmwatch.store.store import Store

__all__ = ["DurableWriter", "StoreState", "WriteResult"]


_KINDS: tuple[tuple[type[StoreError], StoreKind], ...] = (
    (StoreBusy, "waiting"),
    (StoreFull, "full"),
    (StoreReadOnly, "read-only"),
    (StoreDamaged, "damaged"),
    (StoreNewer, "newer"),
)

_EMPTIED = (
    "{}: held readings and then held none: it was moved away or replaced; stop the service, put it back or run "
    "`farmwatch restore`, and start it again"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class StoreState:
    """How the database does: what it last said, how many readings wait beside it, how many could not be kept."""

    kind: StoreKind = "ok"
    words: str = ""
    """What is wrong and what to do about it; empty while all is well."""
    pending: int = 0
    lost: int = 0
    """Readings, each counted once, that neither the database nor the pending file could take since the start."""
    emptied: bool = False
    """Whether the database held readings since the start, and then was another one without any."""

    @property
    def is_well(self) -> bool:
        """Whether everything that was read stands in the database."""
        return self.kind == "ok" and not self.pending and not self.lost and not self.emptied


@dataclass(frozen=True, slots=True, kw_only=True)
class WriteResult:
    """What became of one round: readings newly stored, waiting in the pending file, not kept at all."""

    stored: int
    waiting: int
    lost: int
    state: StoreState


class DurableWriter:
    """Stores what polls bring and never raises for what a database can suffer; one for a process."""

    def __init__(self, store: Store, pending: PendingFile | None = None) -> None:
        self.store = store
        self.pending = pending or PendingFile(store.path.with_name(f"{store.path.name}.pending"))
        self._lock = threading.Lock()
        self._kind: StoreKind = "ok"
        self._words = ""
        self._pending_words = ""
        self._lost: set[tuple[str, str]] = set()
        self._last: dict[str, LastMesh] = {}
        self._held = self._emptied = False

    def write(self, readings: Sequence[Reading], polls: Sequence[PollRecord]) -> WriteResult:
        """Store a round, after what still waits; where that fails, append it to the pending file."""
        with self._lock:
            try:
                self._load()
                stored = self.store.add_round(readings, polls)
            except StoreError as fault:
                self._remember(fault)
                # Nothing waits in a place that is hidden once the disk is back: hosts show their last mesh again.
                waiting = self._lose(readings) if isinstance(fault, StoreGone) else self._wait(readings, polls)
                return WriteResult(stored=0, waiting=waiting, lost=len(readings) - waiting, state=self._state())
            except Exception:
                # A bug of ours must not cost what was read either.
                self._wait(readings, polls)
                raise
            self._well(readings)
            return WriteResult(stored=stored, waiting=0, lost=0, state=self._state())

    def retry(self) -> StoreState:
        """Try to store what waits; never raises for what a database can suffer."""
        with self._lock:
            try:
                self._load()
                self.store.check()
            except StoreError as fault:
                self._remember(fault)
            else:
                self._well(())
            return self._state()

    @property
    def state(self) -> StoreState:
        """How the database did when it was last tried."""
        with self._lock:
            return self._state()

    def last_digests(self, until: datetime | None = None) -> dict[str, LastMesh]:
        """`Store.last_digests` at or before `until` (aware), with what waits beside it.

        Where the database does not answer, what was last known stands for it: so the same mesh is known
        again while nothing can be stored.
        """
        with self._lock:
            try:
                found = self.store.last_digests(until=until)
                held = bool(found) or self.store.reading_count() > 0
            except StoreError as fault:
                self._remember(fault)
            else:
                # Readings are never deleted. A file that was moved away is made anew, and all seems well.
                self._emptied = self._emptied or (self._held and not held)
                self._held = self._held or held
                self._last = found
            self._add_waiting(until)
            return {name: last for name, last in self._last.items() if until is None or last.taken_at <= until}

    def _add_waiting(self, until: datetime | None) -> None:
        try:
            for reading in self.pending.waiting():
                if until is None or reading.taken_at <= until:
                    self._know(reading)
        except OSError as fault:
            self._pending_words = self._of_pending(fault)

    def _know(self, reading: Reading) -> None:
        known = self._last.get(reading.machine)
        if known is None or (reading.taken_at, reading.seen_at) >= (known.taken_at, known.seen_at):
            self._last[reading.machine] = LastMesh(
                machine=reading.machine,
                taken_at=reading.taken_at,
                seen_at=reading.seen_at,
                time_from=reading.time_from,
                digest=reading.mesh.digest(),
            )

    def _load(self) -> None:
        try:
            self.pending.load(self._store_batch)
        except OSError as fault:
            # What waits must not keep out what comes: the round that is at hand is tried all the same.
            self._pending_words = self._of_pending(fault)
        else:
            self._pending_words = ""

    def _store_batch(self, batch: Batch) -> None:
        self.store.add_round(batch.readings, batch.polls)

    def _wait(self, readings: Sequence[Reading], polls: Sequence[PollRecord]) -> int:
        try:
            self.pending.append(readings, polls)
        except OSError as fault:
            self._pending_words = self._of_pending(fault, "cannot grow either")
            return self._lose(readings)
        return len(readings)

    def _lose(self, readings: Sequence[Reading]) -> int:
        """Count them as not kept; returns how many wait: none."""
        self._lost |= {(reading.machine, reading.mesh.digest()) for reading in readings}
        return 0

    def _of_pending(self, fault: OSError, what: str = "cannot be read or emptied") -> str:
        path = self.pending.path
        mend = f"; {how_to_own(path)}" if isinstance(fault, PermissionError) else ""
        return f"{path} {what} ({fault.strerror}){mend}"

    def _well(self, readings: Sequence[Reading]) -> None:
        self._kind, self._words = "ok", ""
        # A host shows its last mesh until it has a new one, so what could not be kept is often read again.
        self._lost -= {(reading.machine, reading.mesh.digest()) for reading in readings}

    def _remember(self, fault: StoreError) -> None:
        self._kind = next((kind for cls, kind in _KINDS if isinstance(fault, cls)), "failing")
        self._words = str(fault)

    def _state(self) -> StoreState:
        try:
            waiting = self.pending.count()
        except OSError:
            waiting = 0
        said = [
            self._words,
            self._pending_words,
            f"{waiting} readings wait in {self.pending.path}" if waiting else "",
            f"{len(self._lost)} readings could not be kept" if self._lost else "",
            _EMPTIED.format(self.store.path) if self._emptied else "",
        ]
        words = "; ".join(part for part in said if part)
        return StoreState(kind=self._kind, words=words, pending=waiting, lost=len(self._lost), emptied=self._emptied)
