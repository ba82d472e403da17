"""What the pages have read of the farm: one consistent state, kept until the database or the minute changes.

The service's own judgement is shown, nothing is judged anew here but the one machine whose page is open. Reading takes
the database for milliseconds and computes after it has let go, so that no page holds up a poll.
"""

from __future__ import annotations

import secrets
import threading
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from farmwatch.assess import assess
from farmwatch.config import Settings
from farmwatch.history import OutOfService
from farmwatch.judge import Assessment, FleetAssessment
from farmwatch.pages.source import FarmSource
from farmwatch.report.shared import Groups, find_labour, sort_machines
from farmwatch.store import StoreError
from farmwatch.tickets import Ticket, TicketRepository

__all__ = ["Reader", "Snapshot"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Snapshot:
    """The farm as it stood at one time."""

    settings: Settings
    at: datetime
    fleet: FleetAssessment | None
    """As last judged, with today's tickets; None where nothing was judged yet."""
    tickets: tuple[Ticket, ...]
    """All there are, by number."""
    groups: Groups | None
    hours: Mapping[str, float]
    """What the work at each machine takes."""
    fault: str
    """Why it is not of now; empty where it is."""
    key: str
    """Another one wherever anything in it is another."""

    @property
    def judged_at(self) -> datetime | None:
        """When the farm was judged."""
        return None if self.fleet is None else self.fleet.at

    def machine(self, name: str) -> Assessment | None:
        """One machine as last judged."""
        return next((m for m in self.fleet.machines if m.machine == name), None) if self.fleet is not None else None


class Reader:
    """Reads a farm; one at a time, whoever else asks meanwhile gets the same."""

    def __init__(self, farm: FarmSource) -> None:
        self._farm = farm
        self._lock = threading.Lock()
        self._last: Snapshot | None = None
        self._looked: tuple[object, ...] = ()
        self._content: tuple[object, ...] = ()
        self._of: tuple[object, ...] = ()
        self._judged: FleetAssessment | None = None
        self._judged_of: tuple[object, ...] = ()
        # The browser's copy of another start is not taken for one of this.
        self._start, self._number = secrets.token_hex(8), 0

    def snapshot(self) -> Snapshot:
        """The farm now; where the database cannot be read, as it was last, with the reason.

        Raises StoreError where it could not be read yet.
        """
        settings, now = self._farm.settings(), self._farm.clock()
        moment = self._moment(settings, now)
        with self._lock:
            if self._last is not None and self._looked == moment:
                return self._last
            try:
                self._last = self._read(settings, now)
            except StoreError as fault:
                if self._last is None:
                    raise
                return replace(self._last, fault=str(fault), key=f"{self._last.key}!")
            self._looked = moment
            return self._last

    def judge(self, name: str, at: datetime | None = None) -> Assessment:
        """One machine judged anew, now or as of a time; raises StoreError."""
        settings, now = self._farm.settings(), self._farm.clock()
        with self._lock:
            # One at a time: it costs tens of milliseconds of computing, and as many at once as there are threads would
            # take the processor from the polls.
            return assess(settings, self._farm.store, at or now, [name]).machines[0]

    def _read(self, settings: Settings, now: datetime) -> Snapshot:
        store = self._farm.store
        judged = self._judged_last(settings, now)
        with store.one_state():
            tickets = tuple(TicketRepository(store).tickets())
            open_ = store.open_tickets(until=now)
            out = store.out_of_service(now)
        # A round of polls changes the file and mostly nothing that a page shows. An acceptance ends by the clock.
        content = (id(settings), id(judged), tickets, open_, out, now.strftime("%Y%m%d%H"))
        if self._last is not None and self._content == content:
            return replace(self._last, at=now)
        # What it is known by must not be another's number: it is kept as long.
        self._content, self._of = content, (settings, judged)
        self._number += 1
        key = f"{self._start}-{self._number}"
        known: dict[str, Any] = {"settings": settings, "at": now, "tickets": tickets, "fault": "", "key": key}
        if judged is None:
            return Snapshot(fleet=None, groups=None, hours={}, **known)
        machines = tuple(
            _in_service_now(replace(m, ticket=open_.get(m.machine)), out.get(m.machine)) for m in judged.machines
        )
        fleet = replace(judged, machines=machines)
        groups = sort_machines(fleet, tickets)
        hours = find_labour(groups.needing, groups.floor, tickets, now).each
        return Snapshot(fleet=fleet, groups=groups, hours=hours, **known)

    def _judged_last(self, settings: Settings, now: datetime) -> FleetAssessment | None:
        """What the service judged last; its file is read again when it is another one."""
        stamp = (id(settings), _state(Path(f"{self._farm.store.path}.standing")))
        if stamp[1] is None or stamp != self._judged_of:
            self._judged, self._judged_of = self._farm.judged(settings, now), stamp
        return self._judged

    def _moment(self, settings: Settings, now: datetime) -> tuple[object, ...]:
        """Another one whenever anything may be another."""
        database = self._farm.store.path
        files = (database, Path(f"{database}.wal"), Path(f"{database}.standing"))
        return (id(settings), now.strftime("%Y%m%d%H%M"), *map(_state, files))


def _in_service_now(machine: Assessment, out: OutOfService | None) -> Assessment:
    """With a time out of service that began or ended since it was judged."""
    if (out is not None) == (not machine.in_service):
        return machine
    return replace(machine, in_service=out is None, out_reason="" if out is None else out.reason)


def _state(path: Path) -> tuple[int, int, int] | None:
    with suppress(OSError):
        found = path.stat()
        return found.st_ino, found.st_size, found.st_mtime_ns
    return None
