"""One message through the farm's mail server, with TLS and a deadline over the whole session."""

from __future__ import annotations

import logging
import smtplib
import socket
import ssl
from collections.abc import Callable
from email.message import EmailMessage
from typing import TypeVar

from farmwatch.collect.watchdog import Deadline, Watchdog
from farmwatch.config import Settings
from farmwatch.config.settings import Mail
from farmwatch.tickets.delivery import DeliveryFault
from farmwatch.tickets.mail import one_line

__all__ = ["send_mail", "sign_in"]

_log = logging.getLogger(__name__)

T = TypeVar("T")

DEADLINE_SECONDS = 30.0


def send_mail(settings: Settings, mail: Mail, message: EmailMessage) -> None:
    """Hand the message to the farm's server; raises DeliveryFault, in words without the password."""
    refused = _by_session(settings, mail, lambda server: server.send_message(message))
    if refused:
        # The others have it; sending again would give it to them twice, so it counts as delivered and is said.
        _log.warning("%s refused some recipients: %s", mail.host, ", ".join(sorted(refused)))


def sign_in(settings: Settings, mail: Mail) -> None:
    """Connect and sign in as `send_mail` does, and send nothing; raises DeliveryFault."""
    _by_session(settings, mail, lambda server: server.noop())


def _by_session(settings: Settings, mail: Mail, work: Callable[[smtplib.SMTP], T]) -> T:
    watchdog = Watchdog()
    try:
        with watchdog.deadline(DEADLINE_SECONDS) as deadline:
            return _signed_in(settings, mail, work, deadline)
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


def _signed_in(settings: Settings, mail: Mail, work: Callable[[smtplib.SMTP], T], deadline: Deadline) -> T:
    kind = _WatchedTls if mail.security == "tls" else _Watched
    with kind(mail, deadline, _context(settings)) as server:
        if mail.security == "starttls":
            server.starttls(context=_context(settings))
            if server.sock is not None:
                deadline.watch(server.sock)
        if mail.user is not None and mail.password is not None:
            server.login(mail.user, mail.password.reveal())
        return work(server)


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
    return one_line(text)[:200]
