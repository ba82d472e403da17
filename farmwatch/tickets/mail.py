"""Mail: one message through the farm's server, with TLS and a deadline. What is written in it comes from elsewhere."""

from __future__ import annotations

import logging
import re
import smtplib
import socket
import ssl
from dataclasses import dataclass
from datetime import datetime
from email.message import EmailMessage
from email.utils import format_datetime

from farmwatch.collect.watchdog import Deadline, Watchdog
from farmwatch.config import Mail, Settings
from farmwatch.tickets.webhook import DeliveryFault

__all__ = ["Attachment", "MailText", "compose", "send_mail"]

_log = logging.getLogger(__name__)

DEADLINE_SECONDS = 30.0
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
    message["Subject"] = _CONTROL.sub(" ", text.subject)
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


def send_mail(settings: Settings, mail: Mail, message: EmailMessage) -> None:
    """Hand the message to the farm's server; raises DeliveryFault, in words without the password."""
    watchdog = Watchdog()
    try:
        with watchdog.deadline(DEADLINE_SECONDS) as deadline:
            refused = _hand_over(settings, mail, message, deadline)
    except smtplib.SMTPAuthenticationError:
        raise DeliveryFault(f"{mail.host} does not accept the user or the password of [mail]") from None
    except smtplib.SMTPRecipientsRefused as fault:
        raise DeliveryFault(f"{mail.host} refused every recipient: {', '.join(sorted(fault.recipients))}") from None
    except smtplib.SMTPResponseException as fault:
        raise DeliveryFault(f"{mail.host} refused the message: {fault.smtp_code} {_said(fault.smtp_error)}") from None
    except ssl.SSLError as fault:
        raise DeliveryFault(f"{mail.host}: its certificate could not be verified ({fault.reason})") from None
    except (smtplib.SMTPException, OSError) as fault:
        raise DeliveryFault(f"{mail.host}: {fault or type(fault).__name__}") from None
    finally:
        watchdog.close()
    if refused:
        # The others have it; sending again would give it to them twice, so it counts as delivered and is said.
        _log.warning("%s refused some recipients: %s", mail.host, ", ".join(sorted(refused)))


def _hand_over(
    settings: Settings, mail: Mail, message: EmailMessage, deadline: Deadline
) -> dict[str, tuple[int, bytes]]:
    kind = _WatchedTls if mail.security == "tls" else _Watched
    with kind(mail, deadline, _context(settings)) as server:
        if mail.security == "starttls":
            server.starttls(context=_context(settings))
            if server.sock is not None:
                deadline.watch(server.sock)
        if mail.user is not None and mail.password is not None:
            server.login(mail.user, mail.password.reveal())
        return server.send_message(message)


class _Watched(smtplib.SMTP):
    """A session whose socket is cut when the time is up: smtplib's own timeout counts from one byte to the next."""

    def __init__(self, mail: Mail, deadline: Deadline, context: ssl.SSLContext) -> None:
        self._deadline, self._context_of_tls = deadline, context
        super().__init__(mail.host, mail.port, timeout=DEADLINE_SECONDS)

    def _get_socket(self, host: str, port: int, timeout: float) -> socket.socket:
        sock = socket.create_connection((host, port), timeout)
        self._deadline.watch(sock)
        return sock


class _WatchedTls(_Watched):
    """The same under TLS from the first byte."""

    def _get_socket(self, host: str, port: int, timeout: float) -> socket.socket:
        plain = super()._get_socket(host, port, timeout)
        tls = self._context_of_tls.wrap_socket(plain, server_hostname=host, do_handshake_on_connect=False)
        self._deadline.watch(tls)
        tls.do_handshake()
        return tls


def _context(settings: Settings) -> ssl.SSLContext:
    return ssl.create_default_context(cafile=str(settings.poll.ca_file) if settings.poll.ca_file else None)


def _said(words: bytes | str) -> str:
    text = words.decode("utf-8", "replace") if isinstance(words, bytes) else words
    return _CONTROL.sub(" ", text)[:200]
