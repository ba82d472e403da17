"""Mail against a real SMTP server on loopback."""

import email
import email.policy
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from farmwatch.config import Secret
from farmwatch.config.settings import Mail
from farmwatch.judge import CAUTIONS, CAUTIONS_FOOT
from farmwatch.store import Store
from farmwatch.tickets import Outbox, TicketRepository, update_tickets
from farmwatch.tickets.delivery import DeliveryFault
from farmwatch.tickets.mail import Attachment, MailText, compose
from farmwatch.tickets.smtp import send_mail
from tests.tickets.farm import AT, fleet, later, settings_in, tilted

controller = pytest.importorskip("aiosmtpd.controller")


@dataclass
class Box:
    """What the server took; `refuse` is its answer to every recipient, if any."""

    refuse: str = ""
    only: str = ""
    got: list[Any] = field(default_factory=list)

    async def handle_RCPT(self, server: Any, session: Any, envelope: Any, address: str, options: Any) -> str:
        if self.refuse and self.only in address:
            return self.refuse
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server: Any, session: Any, envelope: Any) -> str:
        self.got.append(email.message_from_bytes(envelope.content, policy=email.policy.default))
        return "250 taken"


@contextmanager
def serving(box: Box, **more: Any) -> Iterator[int]:
    with socket.create_server(("127.0.0.1", 0)) as probe:
        port = probe.getsockname()[1]
    server = controller.Controller(box, hostname="127.0.0.1", port=port, **more)
    server.start()
    try:
        yield port
    finally:
        server.stop()


def mail(port: int, **more: Any) -> Mail:
    given = {
        "host": "127.0.0.1", "port": port, "security": "none-on-loopback", "sender": "farm@tidegate.example",
        "report_to": ("manager@tidegate.example",), "notices_to": ("bench@tidegate.example",),
    }  # fmt: skip
    return Mail(**{**given, **more})


def test_a_notice_of_a_new_ticket_arrives(tmp_path: Path, store: Store) -> None:
    box = Box()
    with serving(box) as port:
        settings = settings_in(tmp_path, mail=mail(port))
        Outbox(store).announce(settings, later(-1))
        update_tickets(settings, store, fleet(tilted()))
        Outbox(store).announce(settings, later(0.1))
        Outbox(store).deliver_due(settings, later(0.1))
    [message] = box.got
    assert message["To"] == "bench@tidegate.example"
    assert message["Subject"].startswith("Saltmarsh Tidegate Works: heron-01, ticket 1: proposed.")
    assert message["Auto-Submitted"] == "auto-generated"
    said = " ".join(message.get_content().split())
    assert "Confirmed past the limit at 0.80 mm." in said
    assert all(caution in said for caution in (*CAUTIONS, CAUTIONS_FOOT))


def test_work_that_is_done_is_told_as_nothing_to_turn(tmp_path: Path, store: Store) -> None:
    box = Box()
    update_tickets(settings_in(tmp_path), store, fleet(tilted(), at=later(-3)))
    with serving(box) as port:
        settings = settings_in(tmp_path, mail=mail(port))
        Outbox(store).announce(settings, later(-1))
        for hours, action in enumerate(("approve", "take", "done")):
            TicketRepository(store).act(1, action, at=later(hours), by="bench")  # type: ignore[arg-type]
        Outbox(store).announce(settings, later(4))
        Outbox(store).deliver_due(settings, later(4))
    [message] = box.got
    assert "ticket 1: work done; do not turn, probe it hot" in message["Subject"]


def test_html_plain_text_and_a_file_go_together(tmp_path: Path) -> None:
    box = Box()
    text = MailText(
        subject="Week 47\r\nBcc: x@y.example", plain="Two machines.", html="<p>Two machines.</p>",
        attachments=(Attachment(name="week.html", kind="text/html", data=b"<h1>x</h1>"),),
    )  # fmt: skip
    with serving(box) as port:
        own = mail(port)
        send_mail(settings_in(tmp_path), own, compose(own, own.report_to, "report/2026-W47", AT, text))
    [message] = box.got
    assert message["Subject"] == "Week 47 Bcc: x@y.example"
    assert message["Bcc"] is None
    assert message["Message-ID"] == "<report.2026-W47@tidegate.example>"
    assert message.get_body(("plain",)).get_content().strip() == "Two machines."
    assert message.get_body(("html",)).get_content().strip() == "<p>Two machines.</p>"
    [file] = message.iter_attachments()
    assert file.get_filename() == "week.html"


def test_a_server_that_refuses_keeps_the_letter(tmp_path: Path, store: Store) -> None:
    with serving(Box(refuse="550 no such box")) as port:
        settings = settings_in(tmp_path, mail=mail(port))
        Outbox(store).announce(settings, later(-1))
        update_tickets(settings, store, fleet(tilted()))
        Outbox(store).announce(settings, later(0.1))
        found = Outbox(store).deliver_due(settings, later(0.1))
    assert "refused every recipient: bench@tidegate.example" in found.faults[0]
    assert "mail" in [delivery.channel for delivery in Outbox(store).waiting()]
    assert TicketRepository(store).ticket(1).phase == "proposed"


def test_one_refused_of_two_is_no_reason_to_send_again(tmp_path: Path, store: Store) -> None:
    box, two = Box(refuse="550 no such box", only="gone@"), ("bench@tidegate.example", "gone@tidegate.example")
    with serving(box) as port:
        settings = settings_in(tmp_path, mail=mail(port, notices_to=two))
        Outbox(store).announce(settings, later(-1))
        update_tickets(settings, store, fleet(tilted()))
        Outbox(store).announce(settings, later(0.1))
        for hours in (0.1, 1.0, 2.0):
            Outbox(store).deliver_due(settings, later(hours))
    assert len(box.got) == 1
    assert Outbox(store).waiting() == []


def test_a_server_that_is_not_there_is_said(tmp_path: Path) -> None:
    own = mail(9)
    with pytest.raises(DeliveryFault, match=r"127\.0\.0\.1"):
        send_mail(settings_in(tmp_path), own, compose(own, own.report_to, "k", AT, MailText(subject="s", plain="p")))


def test_starttls_verifies_the_server(tmp_path: Path) -> None:
    """With the farm's own authority it goes through, without it nothing is sent."""
    trustme = pytest.importorskip("trustme")
    import ssl

    authority = trustme.CA()
    (tmp_path / "ca.pem").write_bytes(authority.cert_pem.bytes())
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    authority.issue_cert("127.0.0.1").configure_cert(context)
    box = Box()
    with serving(box, tls_context=context, require_starttls=True) as port:
        own = mail(port, security="starttls")
        plain = settings_in(tmp_path)
        known = plain.model_copy(update={"poll": plain.poll.model_copy(update={"ca_file": tmp_path / "ca.pem"})})
        message = compose(own, own.report_to, "k", AT, MailText(subject="s", plain="p"))
        with pytest.raises(DeliveryFault, match="certificate could not be verified"):
            send_mail(plain, own, message)
        assert box.got == []
        send_mail(known, own, message)
    assert len(box.got) == 1


def test_a_wrong_password_is_said_and_not_shown(tmp_path: Path, monkeypatch: Any) -> None:
    monkeypatch.setenv("MAIL_PASSWORD", "spring-tide")
    from aiosmtpd.smtp import AuthResult

    def refuse(server: Any, session: Any, envelope: Any, mechanism: str, data: Any) -> AuthResult:
        return AuthResult(success=False, handled=False)

    with serving(Box(), authenticator=refuse, auth_require_tls=False) as port:
        own = mail(port, user="farm", password=Secret("env:MAIL_PASSWORD", tmp_path))
        message = compose(own, own.report_to, "k", AT, MailText(subject="s", plain="p"))
        with pytest.raises(DeliveryFault, match="does not accept the user or the password") as told:
            send_mail(settings_in(tmp_path), own, message)
    assert "spring-tide" not in str(told.value)
