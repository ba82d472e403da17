"""What lies in the outbox: a draft that a channel makes of the news, and the delivery that it becomes. Values only."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import NamedTuple

from farmwatch.errors import FarmwatchError
from farmwatch.tickets.ticket import Ticket, TicketEvent

__all__ = ["Delivery", "DeliveryFault", "Draft", "News", "wait_after"]

FIRST_WAIT = timedelta(minutes=1)
LONGEST_WAIT = timedelta(hours=6)


class DeliveryFault(FarmwatchError):
    """Something could not be delivered; the message says why, without secrets."""


class Draft(NamedTuple):
    """What is to be put into the outbox: its key, the channel, and the channel's own content."""

    key: str
    channel: str
    content: str


@dataclass(frozen=True, slots=True, kw_only=True)
class News:
    """What a channel may have to speak of: every ticket, and the events it has not announced yet, each with its key."""

    tickets: Mapping[int, Ticket]
    find_events: Callable[[], list[tuple[str, TicketEvent]]]

    @property
    def events(self) -> list[tuple[str, TicketEvent]]:
        """In time order; to ask for them makes the channel one that announces events from now on."""
        return self.find_events()


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
