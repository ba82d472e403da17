"""The step that delivers what lies in the outbox; it has a thread of its own, so that no mail server slows a poll."""

from __future__ import annotations

import logging
from datetime import datetime

from farmwatch.config import Settings
from farmwatch.service.logs import log_event
from farmwatch.service.status import ServiceStatus
from farmwatch.store import Store, StoreError
from farmwatch.tickets import Outbox

__all__ = ["Deliveries"]

_log = logging.getLogger(__name__)


class Deliveries:
    """`step` tries every letter that is due."""

    def __init__(self, settings: Settings, store: Store, status: ServiceStatus) -> None:
        self.settings = settings
        self._store = store
        self._status = status

    def step(self, now: datetime) -> None:
        """Deliver; never raises for what the database or a receiver can do."""
        try:
            due, waiting = self._store.waiting_deliveries(now)
            if due:
                waiting = self._deliver(now)
            failing = self._store.failing_deliveries(now)
        except StoreError:
            # Said elsewhere; letters wait in the database and go nowhere.
            return
        self._status.note(letters=waiting)
        if failing is None:
            self._status.clear_problem("deliveries")
        else:
            letters = "1 letter waits" if failing.number == 1 else f"{failing.number} letters wait"
            self._status.report_problem("deliveries", f"{letters}; the last fault: {failing.fault}", failing.since)

    def _deliver(self, now: datetime) -> int:
        found = Outbox(self._store).deliver_due(self.settings, now)
        if found.delivered:
            log_event(_log, logging.INFO, "delivered", letters=found.delivered, waiting=found.waiting)
        return found.waiting
