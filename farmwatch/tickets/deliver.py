"""Announce what happened to tickets and deliver what is due. Nothing here can stop or slow the polls."""

from __future__ import annotations

import json
import logging
import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from farmwatch.config import Settings
from farmwatch.errors import FarmwatchError
from farmwatch.store import Run, Store, ticket_sql
from farmwatch.store.clock import from_micros, micros
from farmwatch.tickets.calendar import due_work
from farmwatch.tickets.document import cautions_of, event_document, ticket_document
from farmwatch.tickets.mail import MailText, compose, send_mail
from farmwatch.tickets.outbox import Delivery, Outbox
from farmwatch.tickets.repository import TicketRepository
from farmwatch.tickets.ticket import Ticket, TicketEvent
from farmwatch.tickets.webhook import DeliveryFault, send_webhook

__all__ = ["DeliveryRound", "Sender", "announce", "deliver_due", "senders_of"]

_log = logging.getLogger(__name__)

Sender = Callable[[Delivery], None]
"""Sends one delivery; raises DeliveryFault."""

CALENDAR_FILE = "due-work.ics"
# What a person wants to be told; everything else is in the book.
_TOLD_BY_MAIL = {
    "propose": "proposed",
    "fail": "came back",
    "prove": "proven",
    "accept": "accepted as it is",
    "nothing-found": "nothing found",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class DeliveryRound:
    """What came of one pass over the outbox."""

    delivered: int = 0
    failed: int = 0
    waiting: int = 0
    faults: tuple[str, ...] = ()


def announce(settings: Settings, store: Store, at: datetime) -> int:
    """Put a delivery into the outbox for every event not yet announced; returns how many deliveries.

    A channel speaks of what happens from the first time on that it is configured, not of the past.
    """
    tickets = {ticket.number: ticket for ticket in TicketRepository(store).tickets()}
    deliveries: list[tuple[str, str, str]] = []
    if settings.webhook is not None:
        for key, event in _unannounced(store, "webhook", at):
            deliveries.append((key, "webhook", _content(tickets[event.number], event)))
    if settings.mail is not None and settings.mail.notices_to:
        deliveries.extend(_notices(store, tickets, at))
    if tickets:
        deliveries.extend(_calendar(tickets))
    Outbox(store).put_all(deliveries, at)
    return len(deliveries)


def deliver_due(
    settings: Settings, store: Store, at: datetime, senders: Mapping[str, Sender] | None = None
) -> DeliveryRound:
    """Try every delivery that is due; what fails waits, what its channel no longer knows waits too."""
    outbox = Outbox(store)
    ways = senders_of(settings, store) if senders is None else senders
    delivered, faults = 0, []
    for delivery in outbox.due(at):
        send = ways.get(delivery.channel)
        try:
            if send is None:
                raise DeliveryFault(f"[{delivery.channel}] is no longer configured")
            send(delivery)
        except Exception as fault:
            # Whatever is the matter with one delivery, the ones behind it must go out.
            ours = not isinstance(fault, FarmwatchError)
            said = f"a fault of ours: {type(fault).__name__}" if ours else str(fault)
            _log.warning("delivery failed key=%s: %s", delivery.key, said, exc_info=ours)
            outbox.failed(delivery, at, said)
            faults.append(f"{delivery.key}: {said}")
            continue
        outbox.delivered(delivery.key, at)
        delivered += 1
    return DeliveryRound(delivered=delivered, failed=len(faults), waiting=len(outbox.waiting()), faults=tuple(faults))


def senders_of(settings: Settings, store: Store) -> dict[str, Sender]:
    """The channels of this configuration."""
    # A `told` delivery only keeps the key of an event that another message has told already.
    ways: dict[str, Sender] = {"calendar": lambda _: _write_calendar(settings, store), "told": lambda _: None}
    hook, mail = settings.webhook, settings.mail
    if hook is not None:
        ways["webhook"] = lambda delivery: send_webhook(settings, hook, delivery)
    if mail is not None:
        ways["mail"] = lambda delivery: send_mail(
            settings,
            mail,
            compose(mail, mail.notices_to, delivery.key, delivery.created_at, _notice_text(settings, delivery)),
        )
    return ways


def _unannounced(store: Store, channel: str, at: datetime) -> list[tuple[str, TicketEvent]]:
    since = store.last_run(f"announce/{channel}")
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


def _content(ticket: Ticket, event: TicketEvent) -> str:
    content = {"event": event_document(event), "ticket": ticket_document(ticket)}
    return json.dumps(content, ensure_ascii=False, allow_nan=False)


def _notices(store: Store, tickets: Mapping[int, Ticket], at: datetime) -> list[tuple[str, str, str]]:
    """One message for all that happened since the last pass; every event's own key is kept, so none is told twice."""
    found = _unannounced(store, "mail", at)
    told = [(key, event) for key, event in found if event.action in _TOLD_BY_MAIL]
    if not told:
        return []
    events = [{"event": event_document(event), "ticket": ticket_document(tickets[event.number])} for _, event in told]
    message = (told[0][0], "mail", json.dumps({"events": events}, ensure_ascii=False))
    return [message, *((key, "told", "") for key, _ in told[1:])]


def _notice_text(settings: Settings, delivery: Delivery) -> MailText:
    found = json.loads(delivery.content)["events"]
    lines = [_notice_line(one["ticket"], one["event"]) for one in found]
    count = "1 ticket" if len(lines) == 1 else f"{len(lines)} tickets"
    subject = f"{settings.farm.name}: {lines[0] if len(lines) == 1 else count + ' moved'}"
    lines += ["", "farmwatch ticket list shows them all; farmwatch ticket show N one of them."]
    cautions = max((cautions_of(one["ticket"]) for one in found), key=len)
    if cautions:
        *numbered, foot = cautions
        lines += ["", "Before the first move:", *(f"{n}. {one}" for n, one in enumerate(numbered, start=1)), foot]
    plain = "\n".join(lines)
    return MailText(subject=subject, plain=plain)


def _notice_line(ticket: Mapping[str, object], event: Mapping[str, object]) -> str:
    said = _TOLD_BY_MAIL.get(str(event["action"]), str(event["action"]))
    why = f" {event['why']}" if event["why"] else ""
    return f"{ticket['machine']}, ticket {ticket['ticket']}: {said}.{why}"


def _calendar(tickets: Mapping[int, Ticket]) -> list[tuple[str, str, str]]:
    """The calendar file is written anew once for every state of the book, known by how often it was changed."""
    changes = sum(ticket.revision for ticket in tickets.values())
    return [(f"calendar/change-{changes}", "calendar", "")]


def _write_calendar(settings: Settings, store: Store) -> None:
    folder: Path = settings.farm.reports
    target = folder / CALENDAR_FILE
    beside = folder / f".{CALENDAR_FILE}.{os.getpid()}"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        beside.write_bytes(due_work(settings, TicketRepository(store).tickets()))
        beside.replace(target)
    except OSError as fault:
        beside.unlink(missing_ok=True)
        raise DeliveryFault(f"{target}: {fault.strerror}") from None
