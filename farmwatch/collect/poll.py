"""A poll: every machine asked once, many side by side, and what they answered stored in batches.

A host is asked by one thread at a time, in the order of its machines; a slow or broken one holds up nobody but
itself. Every machine leaves a record with its outcome and a reason.
"""

from __future__ import annotations

import queue
import threading
import time
from collections import deque
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Protocol

from farmwatch.collect.asking import Asked, ask, fetcher_for
from farmwatch.collect.connection import Address
from farmwatch.collect.fetch import Fetcher, Stopped
from farmwatch.collect.hosttime import believable
from farmwatch.collect.mapping import HostMesh, Reader
from farmwatch.config import Machine, Settings
from farmwatch.history import CelsiusIs, Reading, TimeFrom
from farmwatch.store.records import LastAnswer, LastMesh, Outcome, PollRecord

__all__ = ["Memory", "PollRound", "Progress", "poll_once", "reading_of"]

# A batch is stored when it is this long or this old: large enough to be cheap, small enough to lose little.
BATCH = 500
BATCH_SECONDS = 2.0
TICK_SECONDS = 0.2

Progress = Callable[[PollRecord, int, int], None]
"""Called after each machine with its record, how many are done and how many there are."""


class Memory(Protocol):
    """What a poll wants of the store."""

    def last_digests(self) -> dict[str, LastMesh]:
        """What the newest reading of each machine is known by."""

    def last_answers(self) -> dict[str, LastAnswer]:
        """What came of the last try at each machine."""

    def identities(self) -> dict[str, str]:
        """What each machine's host called itself at first contact."""

    def pin(self, found: dict[str, str], at: datetime) -> None:
        """Pin identities of machines that have none yet."""

    def add_round(self, new: Sequence[Reading], records: Sequence[PollRecord]) -> int:
        """Store readings and records; returns how many readings were new."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PollRound:
    """What came of a poll: a record per machine asked (in order of their answers), and what needs a second look."""

    records: tuple[PollRecord, ...] = ()
    new_readings: int = 0
    warnings: tuple[str, ...] = ()


def poll_once(
    settings: Settings,
    store: Memory,
    now: datetime,
    machines: Iterable[str] | None = None,
    fetcher: Fetcher | None = None,
    *,
    clock: Callable[[], datetime] | None = None,
    on_progress: Progress | None = None,
    stop: threading.Event | None = None,
    in_work: Collection[str] = (),
) -> PollRound:
    """Ask `machines` (all that have a host if None) once and store what they say.

    `clock` gives the time of each answer, by default `now` and the time gone by since. Once `stop` is set no further
    machine is asked, open questions are cut and leave no record, and what was read is stored. Readings of machines
    `in_work` are marked so. `machines` raises InputError for an unknown name; the store raises StoreError.
    """
    start = time.monotonic()
    clock = clock or (lambda: now + timedelta(seconds=time.monotonic() - start))
    names = None if machines is None else {settings.machine(name).name for name in machines}
    due = [m for m in settings.machines if m.address and m.mapping and (names is None or m.name in names)]
    with ExitStack() as stack:
        if fetcher is None:
            fetcher = stack.enter_context(fetcher_for(settings))
        gathering = stack.enter_context(_Gathering(settings, store, now, len(due), on_progress, frozenset(in_work)))
        slow = {name for name, last in store.last_answers().items() if last.outcome == "timed-out"} if due else set()
        crew = stack.enter_context(_Crew(settings, fetcher, clock, _in_turn(due, slow), stop or threading.Event()))
        for asked in crew.answers():
            gathering.take(asked)
    return gathering.round()


def reading_of(
    machine: str, found: HostMesh, seen_at: datetime, *, first: bool, celsius_is: CelsiusIs, in_work: bool = False
) -> Reading:
    """The reading that a mesh makes: at its host's time where that is believable, else when it was seen.

    `first` says that no reading of the machine is known: seen without a time of its own, its age is unknown.
    """
    time_from: TimeFrom = "host"
    taken_at = found.taken_at
    if taken_at is None or not believable(taken_at, seen_at):
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
    )


class _Crew:
    """Threads that ask: each takes the next address, asks its machines one after the other, and hands the answers on.

    Plain workers around two queues cost a tenth of a future per machine.
    """

    def __init__(
        self,
        settings: Settings,
        fetcher: Fetcher,
        clock: Callable[[], datetime],
        turns: Sequence[Sequence[Machine]],
        stop: threading.Event,
    ) -> None:
        self._settings = settings
        self._fetcher = fetcher
        self._clock = clock
        self._stop = stop
        used = {machine.mapping for turn in turns for machine in turn if machine.mapping}
        self._readers = {name: Reader(settings.mappings[name]) for name in used}
        self._turns = deque(turns)
        self._answers: queue.SimpleQueue[Asked | BaseException | None] = queue.SimpleQueue()
        self._size = min(settings.poll.at_once, len(turns))
        self._pool = ThreadPoolExecutor(max(self._size, 1), "farmwatch-poll")

    def __enter__(self) -> _Crew:
        return self

    def __exit__(self, *_: object) -> None:
        self._turns.clear()
        if self._size:
            self._fetcher.stop()
        self._pool.shutdown()

    def answers(self) -> Iterator[Asked | None]:
        """Answers as they come, None after each short while without; a bug of ours is raised when all are through."""
        for _ in range(self._size):
            self._pool.submit(self._work)
        bugs: list[BaseException] = []
        while self._size:
            try:
                answer = self._answers.get(timeout=TICK_SECONDS)
            except queue.Empty:
                yield None
            else:
                if answer is None:
                    self._size -= 1
                elif isinstance(answer, Asked):
                    yield answer
                else:
                    bugs.append(answer)
            if self._stop.is_set():
                self._turns.clear()
                self._fetcher.stop()
        if bugs:
            raise bugs[0]

    def _work(self) -> None:
        try:
            while not self._stop.is_set():
                for machine in self._turns.popleft():
                    self._ask(machine)
        except IndexError:
            # No address is left.
            pass
        finally:
            self._answers.put(None)

    def _ask(self, machine: Machine) -> None:
        if self._stop.is_set():
            return
        try:
            reader = self._readers[machine.mapping or ""]
            self._answers.put(ask(self._settings, machine, self._fetcher, self._clock, reader))
        except Stopped:
            # It says nothing about the host, so it leaves no record.
            return
        except Exception as bug:
            self._answers.put(bug)


class _Gathering:
    """Takes answers in turn: tells new from same, and stores readings and records in batches."""

    def __init__(
        self,
        settings: Settings,
        store: Memory,
        now: datetime,
        total: int,
        on_progress: Progress | None,
        in_work: frozenset[str],
    ) -> None:
        self._celsius_is = {m.name: settings.mappings[m.mapping].temperature_is for m in settings.machines if m.mapping}
        self._store = store
        self._now = now
        self._total = total
        self._on_progress = on_progress
        self._in_work = in_work
        self._last = store.last_digests() if total else {}
        self._pins = store.identities() if total else {}
        self._records: list[PollRecord] = []
        self._unstored = 0
        self._readings: list[Reading] = []
        self._new_pins: dict[str, str] = {}
        self._new = 0
        self._stored_at = time.monotonic()
        self._meshes: dict[str, list[str]] = {}
        self._identities: dict[str, list[str]] = {}

    def __enter__(self) -> _Gathering:
        return self

    def __exit__(self, *_: object) -> None:
        self.flush()

    def take(self, asked: Asked | None) -> None:
        """Take one answer; None only gives an old batch the occasion to be stored."""
        if asked is not None:
            record = self._record(asked)
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

    def round(self) -> PollRound:
        """All that came of it."""
        warnings = [*_shared(self._meshes, "the same mesh"), *_shared(self._identities, "the same identity")]
        return PollRound(records=tuple(self._records), new_readings=self._new, warnings=tuple(warnings))

    def _record(self, asked: Asked) -> PollRecord:
        outcome, reason = asked.outcome, asked.reason
        if asked.found is not None:
            outcome, more = self._outcome(asked, asked.found)
            reason = "; ".join(part for part in (more, reason) if part)
        return PollRecord(machine=asked.machine, at=asked.at, outcome=outcome, reason=reason, seconds=asked.seconds)

    def _outcome(self, asked: Asked, found: HostMesh) -> tuple[Outcome, str]:
        name = asked.machine
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
            asked.at,
            first=last is None,
            celsius_is=self._celsius_is[name],
            in_work=name in self._in_work,
        )
        if last is not None and reading.taken_at <= last.taken_at:
            return self._earlier(reading)
        self._last[name] = LastMesh(
            machine=name, taken_at=reading.taken_at, seen_at=asked.at, time_from=reading.time_from, digest=digest
        )
        self._readings.append(reading)
        return "new", ""

    def _earlier(self, reading: Reading) -> tuple[Outcome, str]:
        """A mesh from before the newest one: a host that shows an old mesh again, or whose clock was set back."""
        if self._store.add_round([reading], ()):
            self._new += 1
            return "new", "its time is before that of the newest reading: was its clock set back?"
        return "same", "it shows an earlier mesh again"


def _in_turn(due: Sequence[Machine], slow: set[str]) -> list[list[Machine]]:
    """Machines by address, in the order in which addresses are asked.

    Those that ran into the deadline last time stand spread through the first half: at the end the whole poll would
    wait for them, and all at the head they would hold up the rest.
    """
    groups: dict[Address | str, list[Machine]] = {}
    for machine in due:
        groups.setdefault(_address(machine), []).append(machine)
    late = [group for group in groups.values() if any(machine.name in slow for machine in group)]
    rest = [group for group in groups.values() if not any(machine.name in slow for machine in group)]
    step = len(rest) // 2 // len(late) if late else 0
    turns: list[list[Machine]] = []
    for number, group in enumerate(late):
        turns += [group, *rest[number * step : (number + 1) * step]]
    return turns + rest[len(late) * step :]


def _address(machine: Machine) -> Address | str:
    try:
        return Address.of(machine.address or "")
    except ValueError:
        return machine.name


def _shared(machines_by: dict[str, list[str]], what: str) -> Iterator[str]:
    for names in machines_by.values():
        if len(names) > 1:
            listed = f"{', '.join(sorted(names)[:-1])} and {sorted(names)[-1]}"
            yield f"{listed} answered with {what}: are they names for one host?"
