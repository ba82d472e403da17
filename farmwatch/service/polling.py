"""The step that polls: asks the machines whose time has come and keeps what they say, whatever the database does."""

from __future__ import annotations

import logging
import random
import threading
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import datetime, timedelta

from farmwatch.collect import Fetcher, PollRound, fetcher_for, poll_once
from farmwatch.config import Settings
from farmwatch.service.logs import log_event
from farmwatch.service.poll_state import PollState
from farmwatch.service.status import ServiceStatus
from farmwatch.service.timetable import Timetable
from farmwatch.store import DurableWriter, PollRecord, StoreState

__all__ = ["Polling", "tick_seconds"]

_log = logging.getLogger(__name__)

# Machines that are due within a tick are asked together: a round costs some opens of the database, however few it asks.
LONGEST_TICK, SHORTEST_TICK = 15.0, 0.5
TICK_SHARE = 0.05
PASSES_WITHIN = timedelta(minutes=5)
# A reading that could not be kept does not come back: once all else is well again it is said for so long, then counted
# among the figures alone.
LOSS_SAID_FOR = timedelta(hours=24)
# Each is said once; a farm whose hosts all show the same bed could say a new one every round.
MOST_WARNINGS = 200
MOST_HASTENED = 1000


def tick_seconds(shortest: timedelta | None) -> float:
    """How often to look for machines that are due: a twentieth of the shortest interval, half a second to fifteen."""
    if shortest is None:
        return LONGEST_TICK
    return min(max(shortest.total_seconds() * TICK_SHARE, SHORTEST_TICK), LONGEST_TICK)


class Polling:
    """Polls of one farm; `step` is called again and again, `alive` each time that something has gone on."""

    def __init__(
        self,
        settings: Settings,
        writer: DurableWriter,
        status: ServiceStatus,
        stop: threading.Event,
        rng: random.Random,
        alive: Callable[[], None] = lambda: None,
    ) -> None:
        self._writer = writer
        self._status = status
        self._stop = stop
        self._alive = alive
        self._memory = PollState(writer)
        self._timetable = Timetable(rng)
        self._lock = threading.Lock()
        self._warned: set[str] = set()
        self._said = StoreState()
        self._unwell_since: datetime | None = None
        self._lost_at: datetime | None = None
        self._fetcher: Fetcher | None = None
        self._hastened: deque[str] = deque(maxlen=MOST_HASTENED)
        self._wanted = self._settings = settings
        self._take_over(settings)

    def use(self, settings: Settings) -> None:
        """Poll by these settings from the next round on; waits for nothing."""
        self._wanted = settings

    def ask_soon(self, name: str) -> None:
        """Ask a machine in the next round, whenever its turn is; waits for nothing."""
        self._hastened.append(name)

    def _take_over(self, settings: Settings) -> None:
        self._settings = settings
        if self._fetcher is not None:
            self._fetcher.close()
        self._fetcher = fetcher_for(settings)
        every = settings.poll.every_minutes
        self._timetable.set_intervals(
            {
                machine.name: timedelta(minutes=machine.every_minutes or every)
                for machine in settings.machines
                if machine.address and machine.mapping
            }
        )

    @property
    def tick(self) -> float:
        """Seconds between looks."""
        return tick_seconds(self._timetable.shortest())

    def close(self) -> None:
        """Let go of every connection, once a round that is under way has ended."""
        with self._lock:
            if self._fetcher is not None:
                self._fetcher.close()

    def step(self, now: datetime, clock: Callable[[], datetime] | None = None) -> PollRound:
        """Ask the machines that are due at `now`; never raises for what hosts or the database can do."""
        with self._lock:
            self._alive()
            if self._wanted is not self._settings:
                self._take_over(self._wanted)
            found = PollRound() if self._stop.is_set() else self._round(now, clock)
            self._status.note(round_ended_at=now, failing=self._timetable.failing())
            self._tell_store(now)
            self._alive()
            return found

    def _round(self, now: datetime, clock: Callable[[], datetime] | None) -> PollRound:
        while self._hastened:
            self._timetable.hasten(self._hastened.popleft(), now)
        due = self._timetable.due(now, self._memory.claims(now))
        if not due.names:
            return PollRound()
        self._status.add_late(due.late)
        found = poll_once(
            self._settings,
            self._memory,
            now,
            due.names,
            self._fetcher,
            clock=clock,
            on_progress=self._progress,
            stop=self._stop,
            in_work=self._memory.in_work(),
        )
        self._after(found, due.names, now)
        return found

    def _progress(self, record: PollRecord, _done: int, _total: int) -> None:
        self._alive()
        self._status.count(record.outcome)
        log_event(
            _log,
            logging.INFO,
            "poll",
            machine=record.machine,
            outcome=record.outcome,
            seconds=record.seconds,
            reason=record.reason or None,
        )

    def _after(self, found: PollRound, names: Sequence[str], now: datetime) -> None:
        outcomes = {record.machine: record.outcome for record in found.records}
        for name in names:
            if name in outcomes or not self._stop.is_set():
                self._timetable.asked(name, outcomes.get(name), now)
        self._status.note(newest_reading_at=self._memory.newest_reading_at())
        for warning in found.warnings:
            if warning not in self._warned and len(self._warned) < MOST_WARNINGS:
                self._warned.add(warning)
                log_event(_log, logging.WARNING, "odd-answers", words=warning)

    def _tell_store(self, now: datetime) -> None:
        """Say how the database does whenever that has changed, and try again while something waits."""
        state = self._writer.state
        # What a round has just met is fresh. That a full disk takes an empty transaction says nothing: where nothing
        # waits, the next round will tell.
        fresh, self._memory.written = self._memory.written, False
        if not state.is_well and not fresh and (state.pending or state.kind != "full"):
            state = self._writer.retry()
        self._status.note(store=state)
        if state.lost > self._said.lost or not state.lost:
            self._lost_at = now if state.lost else None
        told = self._lost_at is not None and now - self._lost_at >= LOSS_SAID_FOR
        if state.is_well or (told and replace(state, lost=0).is_well):
            self._unwell_since = None
            if self._status.clear_problem("database"):
                lost = f"{state.lost} readings could not be kept, and none was lost since"
                words = lost if state.lost else "all that was read is stored"
                log_event(_log, logging.INFO, "database-well", words=words)
            self._said = state
            return
        self._unwell_since = self._unwell_since or now
        # A long reader, or the night's backup, is in the way for a while: that is life.
        passing = state.kind in ("ok", "waiting") and not state.lost and not state.emptied
        if not passing or now - self._unwell_since >= PASSES_WITHIN:
            self._status.report_problem("database", state.words, now)
        if _essence(state) != _essence(self._said):
            level = logging.INFO if passing else logging.ERROR
            log_event(
                _log, level, "database-waits" if passing else "database-unwell",
                kind=state.kind, pending=state.pending, lost=state.lost, words=state.words,
            )  # fmt: skip
        self._said = state


def _essence(state: StoreState) -> tuple[str, int, bool, bool]:
    """What of a state is worth a line when it changes."""
    return state.kind, state.lost, state.pending > 0, state.emptied
