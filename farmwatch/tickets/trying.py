"""Whether what is to be delivered could be: a session at the mail server without a letter, a look at the webhook."""

from __future__ import annotations

import json
from datetime import datetime

from farmwatch.config import Settings
from farmwatch.store import Store
from farmwatch.tickets import webhook
from farmwatch.tickets.delivery import Delivery
from farmwatch.tickets.ticket import PROGRAM, Ticket, TicketEvent
from farmwatch.times import rfc3339

__all__ = ["post_test", "try_mail", "try_webhook"]

A_TEST = "This is a test by farmwatch check: there is no such ticket, and nothing is to be done."


def try_mail(settings: Settings) -> str:
    """Connect to the mail server and sign in, sending nothing; what was done. Raises DeliveryFault."""
    from farmwatch.tickets.smtp import sign_in

    mail = settings.mail
    assert mail is not None
    sign_in(settings, mail)
    return f"{mail.host}:{mail.port} answers" + (" and lets us sign in" if mail.user is not None else "")


def try_webhook(settings: Settings) -> str:
    """Ask the webhook's address by HEAD, without its secret headers; what was found. Raises DeliveryFault."""
    status = webhook.look(settings)
    return f"it is reachable (it answered {status} to a HEAD request, which delivers nothing)"


def post_test(settings: Settings, store: Store, at: datetime) -> str:
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
