"""A poll: every machine asked once, many side by side, and what they answered stored in batches.

A host is asked by one thread at a time, in the order of its machines; a slow or broken one holds up nobody but
itself. Every machine leaves a record with its outcome and a reason.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Collection, Iterable
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import datetime, timedelta

from farmwatch.collect.attempt import fetcher_for
from farmwatch.collect.fetch import Fetcher
from farmwatch.collect.recorder import Memory, OnAttempt, RoundRecorder, reading_of
from farmwatch.collect.workers import PollWorkers, in_turn
from farmwatch.config import Settings
from farmwatch.store import PollRecord

__all__ = ["Memory", "OnAttempt", "PollRound", "poll_once", "reading_of"]


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
    on_progress: OnAttempt | None = None,
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
        recorder = stack.enter_context(RoundRecorder(settings, store, now, len(due), on_progress, frozenset(in_work)))
        slow = {name for name, last in store.last_answers().items() if last.outcome == "timed-out"} if due else set()
        workers = stack.enter_context(
            PollWorkers(settings, fetcher, clock, in_turn(due, slow), stop or threading.Event())
        )
        for attempt in workers.answers():
            recorder.take(attempt)
    return PollRound(records=recorder.records, new_readings=recorder.new_readings, warnings=recorder.warnings())
