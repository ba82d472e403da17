"""The outbox: what is to be delivered, kept in the database until it is, at least once.

A delivery has a key that its receiver can know again. It is delivered first and recorded second, so a crash between
the two delivers it again, under the same key. What fails waits longer each time, and forever, until it is delivered or
a person gives it up. Nothing in here sends: `deliver` does.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from farmwatch.errors import InputError
from farmwatch.store import Store, ticket_sql
from farmwatch.store.clock import from_micros, micros

__all__ = ["Delivery", "Outbox", "wait_after"]

FIRST_WAIT = timedelta(minutes=1)
LONGEST_WAIT = timedelta(hours=6)
LONGEST_FAULT = 300
CONTENT_KEPT = timedelta(days=90)


@dataclass(frozen=True, slots=True, kw_only=True)
class Delivery:
    """One thing to deliver; `content` is the channel's own (JSON text). Times UTC."""

    key: str
    channel: str
    created_at: datetime
    next_try_at: datetime
    tries: int
    last_fault: str
    content: str


def wait_after(tries: int) -> timedelta:
    """How long to wait after so many failed tries: a minute, doubled each time, six hours at most."""
    doubled: timedelta = FIRST_WAIT * (1 << min(max(tries - 1, 0), 20))
    return min(doubled, LONGEST_WAIT)


class Outbox:
    """Letters in the database. Raises StoreError."""

    def __init__(self, store: Store) -> None:
        self._database = store.database

    def put(self, key: str, channel: str, content: str, at: datetime) -> None:
        """Add a delivery; one whose key is known already is not added again."""
        self.put_all([(key, channel, content)], at)

    def put_all(self, deliveries: Sequence[tuple[str, str, str]], at: datetime) -> None:
        """Add deliveries (key, channel, content) in one transaction."""
        if not deliveries:
            return
        with self._database.writing() as con:
            for key, channel, content in deliveries:
                con.execute(ticket_sql.PUT, {"key": key, "channel": channel, "content": content, "at": micros(at)})

    def due(self, at: datetime, most: int = 100) -> list[Delivery]:
        """Letters to try now, the oldest first."""
        with self._database.reading() as con:
            return [_delivery(row) for row in con.execute(ticket_sql.DUE, {"at": micros(at), "most": most}).fetchall()]

    def waiting(self) -> list[Delivery]:
        """Every delivery that is neither delivered nor given up."""
        with self._database.reading() as con:
            return [_delivery(row) for row in con.execute(ticket_sql.WAITING).fetchall()]

    def delivered(self, key: str, at: datetime) -> None:
        """Record that a delivery has been delivered."""
        self._set(ticket_sql.DELIVERED, {"key": key, "at": micros(at)})

    def failed(self, delivery: Delivery, at: datetime, fault: str) -> None:
        """Record why a delivery could not be delivered, and when it is tried again."""
        after = at + wait_after(delivery.tries + 1)
        self._set(ticket_sql.FAILED, {"key": delivery.key, "next": micros(after), "fault": fault[:LONGEST_FAULT]})

    def give_up(self, key: str, at: datetime) -> None:
        """A person gives a delivery up; raises InputError where none of that key is waiting."""
        with self._database.writing() as con:
            row = con.execute(ticket_sql.GIVE_UP, {"key": key, "at": micros(at)}).fetchone()
        if not row or not row[0]:
            raise InputError(f"no delivery {key!r} is waiting; `farmwatch ticket deliveries` shows those that are")

    def forget_old(self, at: datetime) -> None:
        """Drop the content of what was settled 90 days ago; its key stays, so that it is never sent anew."""
        self._set(ticket_sql.FORGET, {"before": micros(at - CONTENT_KEPT)})

    def _set(self, statement: str, values: dict[str, Any]) -> None:
        with self._database.writing() as con:
            con.execute(statement, values)


def _delivery(row: Sequence[Any]) -> Delivery:
    key, channel, created, next_try, tries, fault, content = row
    return Delivery(
        key=key,
        channel=channel,
        created_at=from_micros(created),
        next_try_at=from_micros(next_try),
        tries=tries,
        last_fault=fault,
        content=content,
    )
