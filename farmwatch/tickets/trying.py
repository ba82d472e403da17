"""Whether what is to be delivered could be: a session at the mail server without a letter, a look at the webhook."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from datetime import datetime

from farmwatch.config import Settings
from farmwatch.store import Store
from farmwatch.tickets import webhook
from farmwatch.tickets.delivery import Delivery, DeliveryFault
from farmwatch.tickets.ticket import PROGRAM, Ticket, TicketEvent
from farmwatch.times import rfc3339

__all__ = ["ways_out"]

A_TEST = "This is a test by farmwatch check: there is no such ticket, and nothing is to be done."


def ways_out(settings: Settings, store: Store, at: datetime, *, send: bool) -> Iterator[tuple[str, str, bool]]:
    """Each way out that is configured: its name, what was found, and whether it would take a letter.

    send: post an event to the webhook that says it is a test, in place of only looking.
    """
    ways: list[tuple[str, Callable[[], str]]] = []
    if settings.mail is not None:
        ways.append(("mail", lambda: _try_mail(settings)))
    if settings.webhook is not None:
        ways.append(("webhook", lambda: _post_test(settings, store, at) if send else _try_webhook(settings)))
    for name, attempt in ways:
        try:
            yield name, attempt(), True
        except DeliveryFault as fault:
            yield name, str(fault), False


def _try_mail(settings: Settings) -> str:
    """Connect to the mail server and sign in, sending nothing; what was done. Raises DeliveryFault."""
    from farmwatch.tickets.smtp import sign_in

    mail = settings.mail
    assert mail is not None
    sign_in(settings, mail)
    signed = " and lets us sign in" if mail.user is not None else ""
    return f"{mail.host}:{mail.port} answers{signed}; no letter was sent"


def _try_webhook(settings: Settings) -> str:
    """Ask the webhook's address by HEAD, without its secret headers; what was found. Raises DeliveryFault."""
    status = webhook.look(settings)
    return f"it answers ({status} to a HEAD request, which delivers nothing); to post a test: farmwatch check --send"


def _post_test(settings: Settings, store: Store, at: datetime) -> str:
    """Post an event that says it is a test; what was done. Raises DeliveryFault."""
    ticket = Ticket(
        number=0,
        machine="test",
        cause="none",
        phase="withdrawn",
        opened_at=at,
        changed_at=at,
        priority=4,
        remark=A_TEST,
    )
    event = TicketEvent(
        number=0, at=at, action="withdraw", from_phase=None, to_phase="withdrawn", by=PROGRAM, why=A_TEST
    )
    content = {"event": {**event.document(), "action": "test"}, "ticket": ticket.document()}
    letter = Delivery(
        key=f"webhook/test-{rfc3339(at)}", channel="webhook", created_at=at, next_try_at=at, tries=0, last_fault="",
        content=json.dumps(content, ensure_ascii=False),
    )  # fmt: skip
    webhook.send(settings, store, letter)
    return "it took the test"
