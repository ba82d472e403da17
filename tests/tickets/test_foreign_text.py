"""Hostile text of machines and people in mails, the calendar file and events."""

from __future__ import annotations

import json
from email import message_from_bytes, policy
from email.message import EmailMessage
from pathlib import Path

import pytest

from farmwatch.config.settings import Mail
from farmwatch.tickets.calendar import due_work
from farmwatch.tickets.mail import Attachment, MailText, compose
from farmwatch.tickets.ticket import Ticket, TicketEvent
from tests.farm import FARM, NOW, settings
from tests.hostile import MACHINE, TEXTS, steers, typed


@pytest.fixture(params=list(TEXTS))
def text(request: pytest.FixtureRequest) -> str:
    return typed(TEXTS[request.param])


def ticket_of(text: str) -> Ticket:
    return Ticket(
        number=1, machine=MACHINE, cause="screws", phase="proposed", revision=1, opened_at=NOW, changed_at=NOW,
        range_mm=0.8, remark=text, advice=("realign",), priority=1,
    )  # fmt: skip


def test_a_mail_has_its_own_headers_alone(text: str) -> None:
    mail = Mail(host="mail.example.org", sender="farm@example.org", report_to=("lead@example.org",))
    parts = MailText(
        subject=f"{FARM}: {text}", plain=text, html=None,
        attachments=(Attachment(name="report.html", kind="text/html", data=b"x"),),
    )  # fmt: skip
    sent = compose(mail, mail.report_to, f"ticket/{text}", NOW, parts).as_bytes()
    read = message_from_bytes(sent, policy=policy.default)
    assert isinstance(read, EmailMessage)
    assert sorted(read.keys()) == sorted(
        ["From", "To", "Subject", "Date", "Message-ID", "Auto-Submitted", "MIME-Version", "Content-Type"]
    )
    assert read["To"] == "lead@example.org"
    assert not steers(str(read["Subject"]), allowed="\u202e\u2066\u200f")


def test_the_calendar_has_its_own_lines_alone(text: str, tmp_path: Path) -> None:
    icalendar = pytest.importorskip("icalendar")
    body = due_work(settings(tmp_path, [MACHINE]), [ticket_of(text)])
    [todo] = icalendar.Calendar.from_ical(body).walk("VTODO")
    assert set(todo) == {
        "UID", "DTSTAMP", "CREATED", "LAST-MODIFIED", "SEQUENCE", "SUMMARY", "DESCRIPTION", "PRIORITY", "STATUS",
    }  # fmt: skip
    assert str(todo["SUMMARY"]).startswith(MACHINE)
    body.decode("utf-8")


def test_an_event_is_one_json_document(text: str) -> None:
    event = TicketEvent(
        number=1, at=NOW, action="approve", from_phase="proposed", to_phase="approved", by=text, why=text
    )
    for document in (ticket_of(text).document(), event.document()):
        line = json.dumps(document, ensure_ascii=True)
        assert line.isascii()
        assert "\n" not in line
        assert json.loads(line) == document
