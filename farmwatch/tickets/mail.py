"""What is written in a mail: what happened to tickets, in one message, or the week's report with its file."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from email.message import EmailMessage
from email.utils import format_datetime
from pathlib import Path

from farmwatch.config import Settings
from farmwatch.config.settings import Mail
from farmwatch.store import Store
from farmwatch.tickets.delivery import Delivery, DeliveryFault, Draft, News
from farmwatch.tickets.ticket import cautions_of

__all__ = ["Attachment", "MailText", "compose", "once_a_pass", "one_line", "send_notice", "send_report"]

LARGEST_ATTACHMENT = 20 * 1024 * 1024
# What a person wants to be told; everything else stands on the ticket.
_TOLD = {
    "propose": "proposed",
    "fail": "came back",
    "done": "work done; do not turn, probe it hot",
    "prove": "proven",
    "accept": "accepted as it is",
    "nothing-found": "nothing found",
}
_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029]+")


@dataclass(frozen=True, slots=True, kw_only=True)
class Attachment:
    """A file that goes along."""

    name: str
    kind: str
    """Media type, such as text/html."""
    data: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class MailText:
    """What a message says: `html` None where plain text is enough."""

    subject: str
    plain: str
    html: str | None = None
    attachments: tuple[Attachment, ...] = ()


def compose(mail: Mail, to: tuple[str, ...], key: str, at: datetime, text: MailText) -> EmailMessage:
    """The message; the key makes its Message-ID, so that a repeat is known as one (RFC 5322, 3.6.4)."""
    message = EmailMessage()
    message["From"] = mail.sender
    message["To"] = ", ".join(to)
    message["Subject"] = one_line(text.subject)
    message["Date"] = format_datetime(at)
    message["Message-ID"] = f"<{re.sub(r'[^A-Za-z0-9.-]', '.', key)}@{mail.sender.rpartition('@')[2]}>"
    # RFC 3834: so that no holiday reply comes back to a program.
    message["Auto-Submitted"] = "auto-generated"
    message.set_content(text.plain)
    if text.html is not None:
        message.add_alternative(text.html, subtype="html")
    for attachment in text.attachments:
        main, _, sub = attachment.kind.partition("/")
        message.add_attachment(attachment.data, maintype=main, subtype=sub, filename=attachment.name)
    return message


def one_line(text: str) -> str:
    """Text without control characters and line ends."""
    return _CONTROL.sub(" ", text)


def once_a_pass(news: News) -> list[Draft]:
    """One message for all that happened since the last pass; every event's own key is kept, so none is told twice."""
    told = [(key, event) for key, event in news.events if event.action in _TOLD]
    if not told:
        return []
    events = [{"event": event.document(), "ticket": news.tickets[event.number].document()} for _, event in told]
    message = Draft(told[0][0], "mail", json.dumps({"events": events}, ensure_ascii=False))
    return [message, *(Draft(key, "told", "") for key, _ in told[1:])]


def send_notice(settings: Settings, _: Store, delivery: Delivery) -> None:
    """Mail what happened to tickets; raises DeliveryFault."""
    _send(settings, settings.mail.notices_to if settings.mail else (), delivery, _notice_text(settings, delivery))


def send_report(settings: Settings, _: Store, delivery: Delivery) -> None:
    """Mail the week's report with its file; raises DeliveryFault, also where that file cannot be read."""
    said = json.loads(delivery.content)
    path = Path(said["file"])
    try:
        attached = path.read_bytes()
    except OSError as fault:
        raise DeliveryFault(
            f"{path}: {fault.strerror}; `farmwatch report --week {delivery.key.partition('/')[2]}` writes it again"
        ) from None
    files: tuple[Attachment, ...] = (Attachment(name=path.name, kind="text/html", data=attached),)
    if len(attached) > LARGEST_ATTACHMENT:
        files = ()
    text = MailText(subject=said["subject"], plain=said["plain"], html=said["html"], attachments=files)
    _send(settings, settings.mail.report_to if settings.mail else (), delivery, text)


def _send(settings: Settings, to: tuple[str, ...], delivery: Delivery, text: MailText) -> None:
    from farmwatch.tickets.smtp import send_mail

    assert settings.mail is not None  # the table of channels asks first
    send_mail(settings, settings.mail, compose(settings.mail, to, delivery.key, delivery.created_at, text))


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
    return MailText(subject=subject, plain="\n".join(lines))


def _notice_line(ticket: Mapping[str, object], event: Mapping[str, object]) -> str:
    said = _TOLD.get(str(event["action"]), str(event["action"]))
    why = f" {event['why']}" if event["why"] else ""
    return f"{ticket['machine']}, ticket {ticket['ticket']}: {said}.{why}"
