"""The step that looks whether something is due besides polls: the first look, the weekly report, the night's work."""

from __future__ import annotations

import json
import logging
import threading
from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Any

from farmwatch.config import Settings
from farmwatch.errors import FarmwatchError
from farmwatch.report import Week
from farmwatch.service.calendar import is_done, newest_night, newest_week, next_report_at, night_key, report_key
from farmwatch.service.logs import log_event
from farmwatch.service.status import ServiceStatus
from farmwatch.service.worker import ASSESSMENT, FIRST_LOOK, Job, run_job
from farmwatch.store import Store, StoreError
from farmwatch.store.records import Run
from farmwatch.times import BELIEVED_AHEAD, clock_is_set

__all__ = ["ScheduledJobs"]

_log = logging.getLogger(__name__)

FIRST_RETRY = timedelta(minutes=10)
LONGEST_RETRY = timedelta(hours=2)
# What stands on the pages follows a new mesh within a minute; where none came, what hosts do enters every five.
REFRESH_EVERY, REFRESH_AT_NEWS = timedelta(minutes=5), timedelta(minutes=1)

Send = Callable[[Job, threading.Event], "dict[str, Any] | None"]


class ScheduledJobs:
    """`step` does at most what is due at `now`, one thing after the other, and tries again later what failed."""

    def __init__(
        self, settings: Settings, store: Store, status: ServiceStatus, stop: threading.Event, run_job: Send = run_job
    ) -> None:
        self.settings = settings
        self._store = store
        self._status = status
        self._stop = stop
        self._run_job = run_job
        self._done: dict[str, datetime] = {}
        self._tries: dict[str, tuple[int, datetime]] = {}
        self._remembered = False
        self._asked = False
        self._news = False

    def refresh_soon(self) -> None:
        """Judge what is new at the next step, however short ago that was done."""
        self._asked = True

    def refresh_when_due(self) -> None:
        """New meshes have come: judge them within about a minute."""
        self._news = True

    def step(self, now: datetime) -> None:
        """Do what is due; never raises for what the database or a job can suffer."""
        if not clock_is_set(now):
            # No week and no night can be named by a clock that was never set.
            return
        farm = self.settings.farm
        self._status.note(next_report_at=next_report_at(farm, now))
        if self._status.facts.round_ended_at is None:
            # A first look at a farm that nobody has asked yet would show nothing.
            return
        try:
            # A job of its own process would begin a database anew where the disk is gone.
            self._store.refuse_gone()
            self._remember(now)
            self._first_look(now)
            week, _ = newest_week(farm, now)
            self._once(report_key(week), Job(kind="week", settings=self.settings, at=now, week=week), now)
            night, _ = newest_night(farm, now)
            self._once(night_key(night), Job(kind="night", settings=self.settings, at=now, night=night), now)
            self._refresh(now)
        except StoreError as fault:
            if self._status.report_problem("records", f"the last-run record cannot be read: {fault}", now):
                log_event(_log, logging.ERROR, "records-unread", words=str(fault))
        else:
            self._status.clear_problem("records")

    def _remember(self, now: datetime) -> None:
        """After a start: what was assessed and reported last."""
        if self._remembered:
            return
        assessed = self._store.last_run(ASSESSMENT, now + BELIEVED_AHEAD)
        if assessed is not None:
            self._status.note(conditions=json.loads(assessed.detail), assessed_at=assessed.at)
        week, _ = newest_week(self.settings.farm, now)
        reported = self._store.last_run(report_key(week), now + BELIEVED_AHEAD)
        if reported is not None:
            self._status.note(report=reported.detail, reported_at=reported.at)
        night, _ = newest_night(self.settings.farm, now)
        kept = self._store.last_run(night_key(night), now + BELIEVED_AHEAD)
        if kept is not None:
            self._status.note(backed_up_at=kept.at)
        self._remembered = True

    def _first_look(self, now: datetime) -> None:
        if FIRST_LOOK in self._done or self._store.last_run(FIRST_LOOK) is not None:
            self._done[FIRST_LOOK] = now
            return
        farm = self.settings.farm
        week, _ = newest_week(farm, now)
        if self._store.last_run(report_key(week)) is None:
            # The week before the service came is none of its reports; that this is so is entered first, so that a
            # crash cannot make one of it.
            self._store.add_run(Run(name=report_key(week), at=now, detail=""))
        running = Week.holding(now.astimezone(farm.timezone).date())
        self._once(FIRST_LOOK, Job(kind="first-look", settings=self.settings, at=now, week=running), now)

    def _once(self, key: str, job: Job, now: datetime) -> None:
        if self._stop.is_set() or is_done(self._run_at(key, now), now) or not self._may_try(key, now):
            return
        try:
            said = self._run_job(job, self._stop)
        except FarmwatchError as fault:
            self._failed(key, job, str(fault), now)
            return
        if said is not None:
            self._succeeded(key, job, said, now)

    def _refresh(self, now: datetime) -> None:
        """Keep near to now what `fleet` shows, and the tickets; where that fails, `fleet` has more to judge itself."""
        last = self._status.facts.assessed_at
        every = REFRESH_AT_NEWS if self._news else REFRESH_EVERY
        recent = last is not None and timedelta(0) <= now - last < every
        if self._stop.is_set() or (recent and not self._asked) or not self._may_try("refresh", now):
            return
        self._asked = self._news = False
        try:
            said = self._run_job(Job(kind="refresh", settings=self.settings, at=now), self._stop)
        except FarmwatchError as fault:
            self._tries["refresh"] = (self._tries.get("refresh", (0, now))[0] + 1, now)
            log_event(_log, logging.WARNING, "refresh-failed", words=str(fault))
            return
        if said is not None:
            self._tries.pop("refresh", None)
            self._status.note(conditions=said["conditions"], machines=said["machines"], assessed_at=now)
            tickets = {name: said[name] for name in ("opened", "proven", "came_back")}
            if any(tickets.values()):
                log_event(_log, logging.INFO, "tickets", **tickets)

    def _run_at(self, key: str, now: datetime) -> datetime | None:
        if key not in self._done:
            run = self._store.last_run(key, now + BELIEVED_AHEAD)
            if run is not None:
                self._done[key] = run.at
        return self._done.get(key)

    def _may_try(self, key: str, now: datetime) -> bool:
        failed, last = self._tries.get(key, (0, now))
        wait = min(FIRST_RETRY * (1 << min(max(failed - 1, 0), 10)), LONGEST_RETRY)
        # A last try in the future: the clock was set back.
        return not failed or not now - wait < last <= now

    def _failed(self, key: str, job: Job, words: str, now: datetime) -> None:
        failed, _ = self._tries.get(key, (0, now))
        self._tries[key] = (failed + 1, now)
        self._status.report_problem(job.kind, f"{_NAMES[job.kind]} failed and is tried again: {words}", now)
        log_event(_log, logging.ERROR, "failed", what=job.kind, key=key, tries=failed + 1, words=words)

    def _succeeded(self, key: str, job: Job, said: dict[str, Any], now: datetime) -> None:
        self._tries.pop(key, None)
        self._done[key] = job.at
        self._status.clear_problem(job.kind)
        self._status.note(conditions=said["conditions"], machines=said["machines"], assessed_at=now)
        upcoming = next_report_at(self.settings.farm, now).astimezone(self.settings.farm.timezone)
        if "report" in said:
            self._status.note(report=said["report"], reported_at=now)
            log_event(
                _log, logging.INFO, job.kind,
                report=said["report"], week=said["week"], next=upcoming.isoformat(timespec="minutes"),
                past_limit=said["conditions"]["past-limit"], tickets_opened=said["opened"],
            )  # fmt: skip
        else:
            self._status.note(backed_up_at=now)
            log_event(
                _log, logging.INFO, "night",
                backup=said["backup"], readings=said["readings"], polls_thinned=said["thinned"],
                past_limit=said["conditions"]["past-limit"], tickets_opened=said["opened"],
            )  # fmt: skip


_NAMES = {"week": "the weekly report", "night": "the night's work", "first-look": "the first look"}
