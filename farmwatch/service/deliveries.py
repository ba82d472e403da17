"""The step that delivers what lies in the outbox; it has a thread of its own, so that no mail server slows a poll."""

from __future__ import annotations

import logging
from datetime import datetime, timedelta

from farmwatch.config import Settings
from farmwatch.service.logs import log_event
from farmwatch.service.status import ServiceStatus
from farmwatch.store import Store, StoreError
from farmwatch.tickets import Outbox

__all__ = ["Deliveries"]

_log = logging.getLogger(__name__)

# A mail server may well be down for a night.
UNWELL_AFTER = timedelta(hours=12)


class Deliveries:
    """`step` tries every letter that is due."""

    def __init__(self, settings: Settings, store: Store, status: ServiceStatus) -> None:
        self.settings = settings
        self._store = store
        self._status = status
        self._failing_since: datetime | None = None

    def step(self, now: datetime) -> None:
        """Deliver; never raises for what the database or a receiver can do."""
        try:
            due, waiting = self._store.waiting_deliveries(now)
            if due:
                waiting = self._deliver(now)
        except StoreError:
            # Said elsewhere; letters wait in the database and go nowhere.
            return
        self._status.note(letters=waiting)
        if not waiting:
            self._failing_since = None
            self._status.clear_problem("deliveries")

    def _deliver(self, now: datetime) -> int:
        found = Outbox(self._store).deliver_due(self.settings, now)
        if found.delivered:
            log_event(_log, logging.INFO, "delivered", letters=found.delivered, waiting=found.waiting)
        self._judge(found.faults, found.waiting, now)
        return found.waiting

    def _judge(self, faults: tuple[str, ...], waiting: int, now: datetime) -> None:
        if not faults:
            return
        self._failing_since = self._failing_since or now
        if now - self._failing_since >= UNWELL_AFTER:
            self._status.report_problem("deliveries", f"{waiting} letters wait; the last fault: {faults[-1]}", now)
