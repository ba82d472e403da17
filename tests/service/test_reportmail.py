"""The weekly report by mail: against a real SMTP server with TLS, and against what mail readers leave of a page."""

from __future__ import annotations

import json
import re
import ssl
from datetime import datetime, timedelta
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from farmwatch.config import Secret, Settings
from farmwatch.config.settings import Mail
from farmwatch.history import Reading
from farmwatch.mesh import Mesh
from farmwatch.report import Week
from farmwatch.service.deliveries import Deliveries
from farmwatch.service.jobs import do
from farmwatch.service.status import ServiceStatus
from farmwatch.service.worker import Job
from farmwatch.store import Store
from farmwatch.tickets import Outbox
from tests.service.farm import NOW, names, settings_in
from tests.tickets.test_mail import Box, serving
from tests.tickets.test_mail import mail as any_mail

trustme = pytest.importorskip("trustme")

MONDAY = NOW + timedelta(minutes=30)
PASSWORD = "ebb-and-flow-2209"


def mail(port: int, **more: Any) -> Mail:
    """For the report alone."""
    return any_mail(port, notices_to=(), **more)


def filled(settings: Settings) -> Store:
    """Four machines over three weeks; the first jumped a tooth ten days ago. A name that would be markup."""
    store = Store(settings.farm.database)
    axis = np.linspace(10.0, 210.0, 5)
    rng = np.random.default_rng(1)
    readings = []
    for number, machine in enumerate(settings.machines):
        for day in range(21, 0, -1):
            z = rng.normal(0.0, 0.004, (5, 5))
            if number == 0 and day < 10:
                z += 0.4 * (axis[None, :] - 110) / 180
            at = MONDAY - timedelta(days=day)
            mesh = Mesh.accept(axis, axis, z)
            readings.append(
                Reading(machine=machine.name, taken_at=at, seen_at=at, time_from="host", mesh=mesh, bed_celsius=60.0)
            )
    store.add_readings(readings)
    return store


def report(settings: Settings, store: Store, at: datetime = MONDAY) -> None:
    do(Job(kind="week", settings=settings, at=at, week=Week(2026, 47)), store)


def test_the_report_goes_to_the_manager_with_tls(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("MAIL_PASSWORD", PASSWORD)
    authority = trustme.CA()
    authority.cert_pem.write_to_path(tmp_path / "ca.pem")
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    authority.issue_cert("localhost").configure_cert(context)
    box = Box()
    logins: list[tuple[bytes, bytes]] = []

    def login(server: object, session: object, envelope: object, mechanism: str, data: object) -> object:
        logins.append((data.login, data.password))  # type: ignore[attr-defined]
        from aiosmtpd.smtp import AuthResult

        return AuthResult(success=data.password == PASSWORD.encode())  # type: ignore[attr-defined]

    with serving(box, tls_context=context, require_starttls=True, authenticator=login, auth_required=True) as port:
        section = mail(
            port, host="localhost", security="starttls", user="farm", password=Secret("env:MAIL_PASSWORD", tmp_path)
        )
        settings = settings_in(tmp_path, None, ["<b>heron-01</b>", *names(3)[1:]], mail=section)
        settings = settings.model_copy(
            update={"poll": settings.poll.model_copy(update={"ca_file": tmp_path / "ca.pem"})}
        )
        store = filled(settings)
        report(settings, store)
        report(settings, store)  # a crash after the letter: the same report again is no second letter
        deliveries = Deliveries(settings, store, ServiceStatus(MONDAY))
        deliveries.step(MONDAY)
        deliveries.step(MONDAY + timedelta(minutes=1))
    assert logins == [(b"farm", PASSWORD.encode())]
    [message] = box.got
    assert message["To"] == "manager@tidegate.example"
    assert message["Subject"] == "Saltmarsh Tidegate Works, week 2026-W47: 1 machine needs work"
    plain, page = message.get_body(("plain",)).get_content(), message.get_body(("html",)).get_content()
    [attached] = list(message.iter_attachments())
    assert attached.get_filename() == "farmwatch-2026-W47.html"
    assert attached.get_content_type() == "text/html"
    assert attached.get_payload(decode=True) == (tmp_path / "reports" / "farmwatch-2026-W47.html").read_bytes()
    for text in (plain, page):
        assert "Week 2026-W47" in text
        assert "The reference screw is not turned" in text or "reference screw" in text
    assert "<b>heron-01</b>" in plain
    assert "&lt;b&gt;heron-01&lt;/b&gt;" in page
    check_for_mail_readers(page)


class _Tags(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.seen: list[tuple[str, dict[str, str | None]]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.seen.append((tag, dict(attrs)))
        if tag not in ("meta", "br"):
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


def check_for_mail_readers(page: str) -> None:
    """Nothing that mail readers drop or block: no style sheet, script, drawing, form, image or address; all closed.

    What they take is common practice, no source.
    """
    found = _Tags()
    found.feed(page)
    found.close()
    assert not found.open
    kinds = {tag for tag, _ in found.seen}
    assert not kinds & {"style", "script", "link", "svg", "img", "form", "iframe", "object", "video", "input", "button"}
    for _, attributes in found.seen:
        assert not set(attributes) & {"class", "src", "href", "background", "id"}
        assert not [name for name in attributes if name.startswith("on")]
        assert not re.search(r"url\(|position|flex|grid|@import|var\(", attributes.get("style") or "")
    assert not re.search(r"https?://", page)


def test_a_server_that_is_down_delays_the_mail_and_nothing_else(tmp_path: Path) -> None:
    box = Box()
    with serving(box) as port:
        pass
    settings = settings_in(tmp_path, None, names(2), mail=mail(port))
    store = filled(settings)
    report(settings, store)
    status = ServiceStatus(MONDAY)
    deliveries = Deliveries(settings, store, status)
    deliveries.step(MONDAY)
    assert status.facts.letters >= 1
    assert not status.facts.problems
    [letter] = [one for one in Outbox(store).waiting() if one.key == "report/2026-W47"]
    assert (letter.tries, letter.next_try_at) == (1, MONDAY + timedelta(minutes=1))
    deliveries.step(MONDAY + timedelta(hours=1, minutes=1))
    [report_problem] = status.facts.problems
    assert report_problem.what == "deliveries"
    deliveries.settings = settings.model_copy(update={"mail": None})
    deliveries.step(MONDAY + timedelta(hours=14))
    assert [one.key for one in Outbox(store).waiting()] == ["report/2026-W47"]


def test_a_report_file_that_is_gone_is_said(tmp_path: Path) -> None:
    box = Box()
    with serving(box) as port:
        settings = settings_in(tmp_path, None, names(2), mail=mail(port))
        store = filled(settings)
        report(settings, store)
        (tmp_path / "reports" / "farmwatch-2026-W47.html").unlink()
        Deliveries(settings, store, ServiceStatus(MONDAY)).step(MONDAY)
        [letter] = [one for one in Outbox(store).waiting() if one.key == "report/2026-W47"]
        assert "farmwatch report --week 2026-W47" in letter.last_fault
        report(settings, store)
        Deliveries(settings, store, ServiceStatus(MONDAY)).step(MONDAY + timedelta(minutes=2))
    assert len(box.got) == 1


def test_without_mail_there_is_no_letter(tmp_path: Path) -> None:
    settings = settings_in(tmp_path, None, names(2))
    store = filled(settings)
    report(settings, store)
    assert "report/2026-W47" not in [one.key for one in Outbox(store).waiting()]


def test_the_letters_content_is_plain_json(tmp_path: Path) -> None:
    settings = settings_in(tmp_path, None, names(2), mail=mail(25))
    store = filled(settings)
    report(settings, store)
    [letter] = [one for one in Outbox(store).waiting() if one.key == "report/2026-W47"]
    said = json.loads(letter.content)
    assert set(said) == {"subject", "plain", "html", "file"}
    assert "{{" not in said["plain"] + said["html"]
