"""The table of delivery channels: one row says everything about each way by which something leaves the farm.

A channel is added by a row here and its producer (what it writes, how it sends). Where a farm must switch it on, its
section stands in the configuration too. Outbox, retries, the list of what waits and the hiding of secrets follow.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from types import MappingProxyType

from farmwatch.config import Settings
from farmwatch.store import Store
from farmwatch.tickets import calendar, mail, webhook
from farmwatch.tickets.delivery import Delivery, Draft, News

__all__ = ["CHANNELS", "Channel"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Channel:
    """One way out. Every field is given in every row, so that nothing about a channel is left to chance."""

    words: str
    """How a person reads it in the list of what waits; empty: it is never shown."""
    section: str
    """The table of the configuration that switches it on; empty: every farm has it."""
    is_on: Callable[[Settings], bool]
    render: Callable[[News], list[Draft]]
    """What to put into the outbox for what has happened. Called in every pass, so it must know its own keys again."""
    send: Callable[[Settings, Store, Delivery], None]
    """Deliver one. Raises DeliveryFault, whose words say what the receiver's error means and what to do about it."""
    newest_only: bool
    """Whether of several that wait the newest says all (a file that is written anew)."""


def _nothing(_: News) -> list[Draft]:
    return []


CHANNELS: MappingProxyType[str, Channel] = MappingProxyType(
    {
        "webhook": Channel(
            words="to the webhook",
            section="webhook",
            is_on=lambda settings: settings.webhook is not None,
            render=webhook.each_event,
            send=webhook.send,
            newest_only=False,
        ),
        "mail": Channel(
            words="mail on tickets",
            section="mail",
            is_on=lambda settings: settings.mail is not None and bool(settings.mail.notices_to),
            render=mail.once_a_pass,
            send=mail.send_notice,
            newest_only=False,
        ),
        # The service puts it there with the week's report: no ticket has to change for it.
        "report": Channel(
            words="the weekly report by mail",
            section="mail",
            is_on=lambda settings: settings.mail is not None,
            render=_nothing,
            send=mail.send_report,
            newest_only=False,
        ),
        "calendar": Channel(
            words="calendar file (due-work.ics, beside the reports)",
            section="",
            is_on=lambda _: True,
            render=calendar.file_of_due_work,
            send=calendar.send,
            newest_only=True,
        ),
        # Keeps the key of an event that another message has told already; there is nothing to send.
        "told": Channel(
            words="",
            section="",
            is_on=lambda _: True,
            render=_nothing,
            send=lambda _settings, _store, _delivery: None,
            newest_only=False,
        ),
    }
)
