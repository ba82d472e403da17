"""The service: what it is made of, its wake-ups, and its life from start to signal.

One process. A scheduler wakes the steps (polls, scheduled jobs, deliveries), each of which has a thread of its own;
the pages have threads too. The main thread waits for signals, feeds the watchdog while something goes on, and notices
when the clock was set.
"""

from __future__ import annotations

import logging
import os
import random
import signal
import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime

from farmwatch.config import ConfigError, Settings, load_settings
from farmwatch.pages import PagesServer, end_benches, make_app, take_up_benches
from farmwatch.service.clock import ClockWatch, Repeater, Schedule
from farmwatch.service.deliveries import Deliveries
from farmwatch.service.logs import LineFormatter, log_event, secrets_of, set_up_log
from farmwatch.service.pages_source import pages_source
from farmwatch.service.polling import Polling
from farmwatch.service.process import Notifier, Signals, only_one
from farmwatch.service.scheduled_jobs import ScheduledJobs
from farmwatch.service.status import ServiceStatus
from farmwatch.store import DurableWriter, Store, StoreError
from farmwatch.store.errors import StoreNewer
from farmwatch.times import BELIEVABLE_FROM, clock_is_set

__all__ = ["Service", "run_service"]

_log = logging.getLogger(__name__)

# The database of a service on 1,000 machines holds little in memory, and waits for readers in the pending file.
DATABASE_MEMORY, DATABASE_PATIENCE_SECONDS = "128MB", 4.0
JOBS_SECONDS, DELIVERIES_SECONDS = 20.0, 60.0
LOOK_SECONDS = 1.0
# How long steps have to end after TERM, and after which time the process ends whatever hangs.
ENDING_SECONDS, HARD_END_SECONDS = 8.0, 9.5
# Keys of [service] that change with a restart.
_FIXED = ("listen", "certificate", "key", "behind_proxy")
# Nothing at all has gone on for so long beyond a host's deadline: something hangs.
STILL_SECONDS = 120.0


def run_service(settings: Settings, *, attended: bool = False) -> bool:
    """Run until TERM or INT; returns whether all steps had ended by then.

    attended: somebody runs it on a terminal, and HUP, which tells that the terminal is closed, ends it too.

    Raises AlreadyRunning, StoreNewer, and FarmwatchError where it cannot listen.
    """
    formatter = set_up_log(settings)
    with (
        only_one(settings.farm.database, _now()),
        Signals(signal.SIGTERM, signal.SIGINT, signal.SIGHUP, hard_end_seconds=HARD_END_SECONDS) as signals,
    ):
        return Service(settings, formatter, attended=attended).run(signals)


class Service:
    """One farm's service; `clock` tells the time on the wall, UTC."""

    def __init__(
        self,
        settings: Settings,
        formatter: LineFormatter | None = None,
        clock: Callable[[], datetime] | None = None,
        *,
        attended: bool = False,
    ) -> None:
        self.settings = settings
        self._attended = attended
        self.clock = clock or _now
        self.read_at = self.clock()
        self.stop = threading.Event()
        self.status = ServiceStatus(self.clock())
        self.store = Store(
            settings.farm.database, memory_limit=DATABASE_MEMORY, threads=1, patience_seconds=DATABASE_PATIENCE_SECONDS
        )
        self.writer = DurableWriter(self.store)
        rng = random.Random()
        self.polling = Polling(settings, self.writer, self.status, self.stop, rng, self._alive)
        self.jobs = ScheduledJobs(settings, self.store, self.status, self.stop)
        self.deliveries = Deliveries(settings, self.store, self.status)
        self.notifier = Notifier(os.environ)
        lent = pages_source(
            lambda: (self.settings, self.read_at),
            self.store,
            self.status,
            self.clock,
            self._changed_by_hand,
            self._ask_now,
        )
        self._app = make_app(lent)
        self.pages = PagesServer(self._app, settings.service)
        self._formatter = formatter
        self._alive_at = time.monotonic()
        self.repeaters = {
            name: Repeater(name, step, self.stop, self._step_ended)
            for name, step in (
                ("polls", self._poll),
                ("jobs", lambda: self.jobs.step(self.clock())),
                ("deliveries", lambda: self.deliveries.step(self.clock())),
            )
        }
        self._schedule = Schedule(
            self.repeaters,
            {
                "polls": lambda: self.polling.tick,
                "jobs": lambda: JOBS_SECONDS,
                "deliveries": lambda: DELIVERIES_SECONDS,
            },
        )

    def run(self, signals: Signals) -> bool:
        """Start, wait for the end, end; returns whether every step ended in time."""
        self._refuse_newer()
        self._start()
        self._wait(signals)
        return self._end()

    def reload(self) -> bool:
        """Read the configuration anew; with faults the old one stays, and that is said until it is mended."""
        self.notifier.reloading()
        path = self.settings.path
        try:
            fresh = load_settings(path)
        except ConfigError as fault:
            words = f"the configuration has faults, the old one stays in use: {fault}"
            self.status.report_problem("configuration", words, self.clock())
            log_event(_log, logging.ERROR, "configuration-refused", path=path, words=str(fault))
            self.notifier.ready("polling by the old configuration: the new one has faults")
            return False
        self._use(fresh)
        self.notifier.ready(f"polling {len(self.settings.machines)} machines")
        return True

    def _use(self, fresh: Settings) -> None:
        old = self.settings
        fixed = ["farm.database"] if old.farm.database != fresh.farm.database else []
        fixed += [f"service.{name}" for name in _FIXED if getattr(old.service, name) != getattr(fresh.service, name)]
        if fixed:
            log_event(
                _log, logging.WARNING, "restart-needed", keys=", ".join(fixed), words="these change with a restart"
            )
            farm = fresh.farm.model_copy(update={"database": old.farm.database})
            service = fresh.service.model_copy(update={name: getattr(old.service, name) for name in _FIXED})
            fresh = fresh.model_copy(update={"farm": farm, "service": service})
        self.settings = fresh
        self.read_at = self.clock()
        if self._formatter is not None:
            self._formatter.renew(fresh.service.log, secrets_of(fresh))
        self.polling.use(fresh)
        self.jobs.settings = self.deliveries.settings = fresh
        self.repeaters["polls"].wake()
        self.status.clear_problem("configuration")
        log_event(_log, logging.INFO, "configuration-read", path=fresh.path, machines=len(fresh.machines))

    def _refuse_newer(self) -> None:
        """A database of a newer farmwatch needs that version; whatever else ails it, the polls can begin."""
        try:
            self.store.check()
        except StoreNewer:
            self.pages.close()
            raise
        except StoreError as fault:
            log_event(_log, logging.ERROR, "database-unwell", words=str(fault))

    def _start(self) -> None:
        self._look_at_clock()
        try:
            take_up_benches(self._app)
        except StoreError as fault:
            log_event(_log, logging.WARNING, "realign-not-resumed", words=str(fault))
        self.pages.start()
        for repeater in self.repeaters.values():
            repeater.start()
        self._schedule.start()
        farm = self.settings.farm
        self.notifier.ready(f"polling {len(self.settings.machines)} machines")
        log_event(
            _log, logging.INFO, "started",
            farm=farm.name, machines=len(self.settings.machines), database=farm.database,
            configuration=self.settings.path,
            listen=f"{self.settings.service.host}:{self.pages.port}",
        )  # fmt: skip

    def _wait(self, signals: Signals) -> None:
        watch = ClockWatch(self.clock().timestamp(), time.monotonic())
        while True:
            found = signals.wait(LOOK_SECONDS)
            if found == signal.SIGHUP and not self._attended:
                self.reload()
            elif found is not None:
                log_event(_log, logging.INFO, "stopping", signal=found.name)
                return
            self._look(watch)

    def _look(self, watch: ClockWatch) -> None:
        jumped = watch.jumped(self.clock().timestamp(), time.monotonic())
        if jumped:
            log_event(_log, logging.WARNING, "clock-moved", seconds=jumped, words="set by hand, or the computer slept")
            self._schedule.moved()
            self.wake()
        self._look_at_clock()
        deadline = self.settings.poll.deadline_seconds
        if self.notifier.watchdog_seconds and time.monotonic() - self._alive_at < STILL_SECONDS + 2 * deadline:
            self.notifier.alive()

    def _look_at_clock(self) -> None:
        """Say a clock that was never set, for as long as it is so."""
        now = self.clock()
        if clock_is_set(now):
            self.status.clear_problem("clock")
            return
        words = (
            f"the clock says {now.year}, before {BELIEVABLE_FROM.year}: set it (time synchronisation, or a battery); "
            "until then readings are of unknown time, and nothing is reported, backed up or opened"
        )
        if self.status.report_problem("clock", words, now):
            log_event(_log, logging.ERROR, "clock-not-set", words=words)

    def wake(self) -> None:
        """Let every step look at the clock now."""
        for repeater in self.repeaters.values():
            repeater.wake()

    def _end(self) -> bool:
        end = time.monotonic() + ENDING_SECONDS
        self.notifier.stopping()
        self.stop.set()
        self._schedule.end()
        self.wake()
        closing = threading.Thread(target=self._close_pages, name="farmwatch-close", daemon=True)
        closing.start()
        # A delivery under way is not waited for: what was not acknowledged is sent again after the next start.
        hanging = [name for name in ("polls", "jobs") if not self.repeaters[name].join(end - time.monotonic())]
        closing.join(max(0.0, end - time.monotonic()))
        if hanging or closing.is_alive():
            what = ", ".join(hanging) or "an answer of the pages"
            log_event(_log, logging.ERROR, "ended-hard", words=f"did not end in time: {what}")
            return False
        self.polling.close()
        log_event(_log, logging.INFO, "ended", pending=self.writer.state.pending)
        return True

    def _close_pages(self) -> None:
        self.pages.close()
        end_benches(self._app)

    def _poll(self) -> None:
        first = self.status.facts.round_ended_at is None
        if self.polling.step(self.clock(), self.clock).new_readings:
            self.jobs.refresh_when_due()
        if first and not self.stop.is_set():
            # What else is due has only waited for it.
            self.repeaters["jobs"].wake()

    def _step_ended(self, name: str, fault: Exception | None) -> None:
        """What a step raises is a bug of ours: it is said, and the step is tried again at its next moment."""
        what = f"step-{name}"
        if fault is None:
            self.status.clear_problem(what)
            return
        trace = (type(fault), fault, fault.__traceback__)
        _log.error("step-failed", exc_info=trace, extra={"fields": {"step": name}})
        self.status.report_problem(
            what, f"a bug in farmwatch: {type(fault).__name__}; the log tells where", self.clock()
        )

    def _changed_by_hand(self) -> None:
        """Somebody changed something through the pages: it is judged soon."""
        self.jobs.refresh_soon()
        self.repeaters["jobs"].wake()

    def _ask_now(self, machine: str) -> None:
        """Somebody at a page wants to know what a host says now."""
        self.polling.ask_soon(machine)
        self.repeaters["polls"].wake()

    def _alive(self) -> None:
        self._alive_at = time.monotonic()


def _now() -> datetime:
    return datetime.now(UTC)
