"""The outbox: what is to leave the farm, kept in the database until it is delivered, at least once.

A delivery has a key that its receiver can know again. It is delivered first and recorded second, so a crash between
the two delivers it again, under the same key. What fails waits longer each time, and forever, until it is delivered or
a person gives it up. Nothing here can stop or slow the polls.
"""

from __future__ import annotations

import logging
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from farmwatch.config import Settings
from farmwatch.errors import FarmwatchError, InputError
from farmwatch.store import Store, ticket_sql
from farmwatch.store.records import Run
from farmwatch.tickets.channels import CHANNELS, Channel
from farmwatch.tickets.delivery import Delivery, DeliveryFault, Draft, News, wait_after
from farmwatch.tickets.repository import TicketRepository
from farmwatch.tickets.ticket import TicketEvent
from farmwatch.tickets.trying import ways_out
from farmwatch.times import BELIEVED_AHEAD, from_micros, micros

__all__ = ["DeliveryRound", "Outbox"]

_log = logging.getLogger(__name__)

LONGEST_FAULT = 300
CONTENT_KEPT = timedelta(days=90)


@dataclass(frozen=True, slots=True, kw_only=True)
class DeliveryRound:
    """What came of one pass over the outbox."""

    delivered: int = 0
    failed: int = 0
    waiting: int = 0
    faults: tuple[str, ...] = ()


class Outbox:
    """Deliveries in the database, by the channels of a table. Raises StoreError."""

    def __init__(self, store: Store, channels: Mapping[str, Channel] = CHANNELS) -> None:
        self._store, self._database, self._channels = store, store.database, channels

    def announce(self, settings: Settings, at: datetime) -> int:
        """Put into the outbox what every channel has to say of what is not yet announced; returns how many deliveries.

        A channel speaks of what happens from the first time on that it is configured, not of the past.
        """
        tickets = {ticket.number: ticket for ticket in TicketRepository(self._store).tickets()}
        drafts: list[Draft] = []
        for name, channel in self._channels.items():
            if channel.is_on(settings):
                news = News(tickets=tickets, find_events=lambda name=name: _unannounced(self._store, name, at))  # type: ignore[misc]
                drafts.extend(channel.render(news))
        self.put_all(drafts, at)
        return len(drafts)

    def deliver_due(self, settings: Settings, at: datetime) -> DeliveryRound:
        """Try every delivery that is due; what fails waits, what its channel no longer knows waits too."""
        delivered, faults = 0, []
        for delivery in self.due(at):
            try:
                _send(settings, self._store, delivery, self._channels.get(delivery.channel))
            except Exception as fault:
                # Whatever is the matter with one delivery, the ones behind it must go out.
                ours = not isinstance(fault, FarmwatchError)
                said = f"a fault of ours: {type(fault).__name__}" if ours else str(fault)
                _log.warning("delivery failed key=%s: %s", delivery.key, said, exc_info=ours)
                self.failed(delivery, at, said)
                faults.append(f"{delivery.key}: {said}")
                continue
            self.delivered(delivery.key, at)
            delivered += 1
        return DeliveryRound(delivered=delivered, failed=len(faults), waiting=len(self.waiting()), faults=tuple(faults))

    def ways_out(self, settings: Settings, at: datetime, *, send: bool = False) -> Iterator[tuple[str, str, bool]]:
        """What `trying.ways_out` finds of mail and webhook."""
        return ways_out(settings, self._store, at, send=send)

    def put(self, key: str, channel: str, content: str, at: datetime) -> None:
        """Add a delivery; one whose key is known already is not added again."""
        self.put_all([Draft(key, channel, content)], at)

    def put_all(self, drafts: Sequence[Draft], at: datetime) -> None:
        """Add several in one transaction."""
        if not drafts:
            return
        with self._database.writing() as con:
            for key, channel, content in drafts:
                con.execute(ticket_sql.PUT, {"key": key, "channel": channel, "content": content, "at": micros(at)})

    def due(self, at: datetime, most: int = 100) -> list[Delivery]:
        """What to try now, the oldest first."""
        with self._database.reading() as con:
            return [_delivery(row) for row in con.execute(ticket_sql.DUE, {"at": micros(at), "most": most}).fetchall()]

    def waiting(self) -> list[Delivery]:
        """Every delivery that is neither delivered nor given up."""
        with self._database.reading() as con:
            return [_delivery(row) for row in con.execute(ticket_sql.WAITING).fetchall()]

    def waiting_by_channel(self) -> list[tuple[str, Delivery]]:
        """What waits, each with its channel in words; of a channel that says all in its newest, only that."""
        newest: dict[str, Delivery] = {}
        found: list[tuple[str, Delivery]] = []
        for delivery in self.waiting():
            channel = self._channels.get(delivery.channel)
            if channel is None:
                found.append((delivery.channel, delivery))
            elif channel.newest_only:
                newest[delivery.channel] = delivery
            elif channel.words:
                found.append((channel.words, delivery))
        return found + [(self._channels[name].words, delivery) for name, delivery in newest.items()]

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


def _send(settings: Settings, store: Store, delivery: Delivery, channel: Channel | None) -> None:
    if channel is None or not channel.is_on(settings):
        section = channel.section if channel is not None and channel.section else delivery.channel
        raise DeliveryFault(f"[{section}] is no longer configured")
    channel.send(settings, store, delivery)


def _unannounced(store: Store, channel: str, at: datetime) -> list[tuple[str, TicketEvent]]:
    since = store.last_run(f"announce/{channel}", until=at + BELIEVED_AHEAD)
    if since is None:
        store.add_run(Run(name=f"announce/{channel}", at=at))
        since_at = at
    else:
        since_at = since.at
    with store.database.reading() as con:
        rows = con.execute(ticket_sql.UNANNOUNCED, {"since": micros(since_at), "channel": channel}).fetchall()
    return [
        (
            f"{channel}/ticket-{number}-{nth}",
            TicketEvent(
                number=number, at=from_micros(when), action=action, from_phase=start, to_phase=to, by=by, why=why
            ),
        )
        for number, nth, when, action, start, to, by, why in rows
    ]


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
