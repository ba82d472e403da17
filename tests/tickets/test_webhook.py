"""Webhooks against a real receiver: CloudEvents, the farm's own body, failures, repeats."""

import json
import threading
import time
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from farmwatch.config import Secret, Settings
from farmwatch.config.settings import Webhook
from farmwatch.errors import InputError
from farmwatch.judge import CAUTIONS, CAUTIONS_FOOT
from farmwatch.store import Store
from farmwatch.tickets import Outbox, TicketRepository, update_tickets, webhook
from farmwatch.tickets.channels import CHANNELS
from farmwatch.tickets.delivery import Delivery, DeliveryFault, wait_after
from farmwatch.tickets.webhook import render_body
from tests.tickets.farm import AT, fleet, later, settings_in, tilted
from tests.tickets.hook import Answer, receiving, status


def hooked(folder: Path, url: str, **more: Any) -> Settings:
    return settings_in(folder, webhook=Webhook.model_construct(**{**_HOOK, "url": url, **more}))


_HOOK = {"headers": {}, "template": None, "content_type": "application/json", "deadline_seconds": 2.0}


def announced(settings: Settings, store: Store) -> None:
    """One ticket is proposed and approved, both after the webhook was configured."""
    update_tickets(settings, store, fleet(tilted(), at=later(-1)))
    Outbox(store).announce(settings, AT)
    TicketRepository(store).act(1, "approve", at=later(0.1), by="manager", why="Go.")
    Outbox(store).announce(settings, later(0.2))


def test_an_event_arrives_as_cloudevents(tmp_path: Path, store: Store) -> None:
    """CloudEvents 1.0.2, read back by the SDK of the specification's own project."""
    http = pytest.importorskip("cloudevents.core.bindings.http")
    from cloudevents.core.formats.json import JSONFormat

    with receiving(status(204)) as hook:
        settings = hooked(tmp_path, hook.url)
        announced(settings, store)
        assert Outbox(store).deliver_due(settings, later(0.3)).delivered >= 1
    [(headers, body)] = hook.got
    event = http.from_http(http.HTTPMessage(headers=headers, body=body), JSONFormat())
    assert event.get_type() == "farmwatch.ticket.approve"
    assert event.get_source() == "/farmwatch/Saltmarsh%20Tidegate%20Works"
    assert event.get_id() == "webhook/ticket-1-2"
    assert event.get_subject() == "ticket/1"
    assert headers["Idempotency-Key"] == '"webhook/ticket-1-2"'
    data = json.loads(body)["data"]
    assert data["cautions"] == [*CAUTIONS, CAUTIONS_FOOT]
    assert data["event"]["by"] == "manager"
    assert data["ticket"]["phase"] == "approved"


def test_what_came_before_the_webhook_is_not_told(tmp_path: Path, store: Store) -> None:
    settings = hooked(tmp_path, "http://127.0.0.1:9/")
    update_tickets(settings, store, fleet(tilted(), at=later(-1)))
    Outbox(store).announce(settings, AT)
    assert [delivery.channel for delivery in Outbox(store).waiting()] == ["calendar"]


@pytest.mark.parametrize(
    ("answer", "says"),
    [
        (status(404), "404: nothing takes letters at that address"),
        (status(401), "401: it does not accept our key"),
        (status(500), "500"),
        (status(302, Location="http://127.0.0.1:1/"), "302: it points elsewhere"),
        (status(429), "429: too many at once"),
        (status(500, b"x" * 10_000_000), "500"),
    ],
)
def test_a_refusal_keeps_the_letter_and_says_why(tmp_path: Path, store: Store, answer: Answer, says: str) -> None:
    with receiving(answer) as hook:
        settings = hooked(tmp_path, hook.url)
        announced(settings, store)
        found = Outbox(store).deliver_due(settings, later(0.3))
    assert found.failed == 1
    [delivery] = Outbox(store).waiting()
    assert says in delivery.last_fault
    assert delivery.tries == 1
    assert delivery.next_try_at == later(0.3) + timedelta(minutes=1)
    assert TicketRepository(store).ticket(1).phase == "approved"


def test_a_yes_of_ten_megabytes_is_a_yes(tmp_path: Path, store: Store) -> None:
    """It is not read to its end."""
    with receiving(status(200, b"x" * 10_000_000)) as hook:
        settings = hooked(tmp_path, hook.url)
        announced(settings, store)
        assert Outbox(store).deliver_due(settings, later(0.3)).failed == 0
    assert Outbox(store).waiting() == []


@pytest.mark.parametrize(("body", "says"), [("{{ nothing }}", "does not render"), (None, "cannot be read")])
def test_a_template_that_is_no_good_keeps_the_letter_and_the_ticket(
    tmp_path: Path, store: Store, body: str | None, says: str
) -> None:
    template = tmp_path / "body.json"
    if body is not None:
        template.write_text(body, encoding="utf-8")
    with receiving(status(200)) as hook:
        settings = hooked(tmp_path, hook.url, template=template)
        announced(settings, store)
        found = Outbox(store).deliver_due(settings, later(0.3))
        assert (found.failed, hook.got) == (1, [])
        [delivery] = Outbox(store).waiting()
        assert says in delivery.last_fault
        assert TicketRepository(store).ticket(1).phase == "approved"
        # Put right, it goes out under the same key.
        template.write_text("{{ key }}", encoding="utf-8")
        assert Outbox(store).deliver_due(settings, delivery.next_try_at).failed == 0
    assert [body for _, body in hook.got] == [b"webhook/ticket-1-2"]


def test_a_receiver_that_says_nothing_ends_at_the_deadline(tmp_path: Path, store: Store) -> None:
    gone = threading.Event()
    with receiving(lambda _: (gone.wait(10), None)[1]) as hook:
        settings = hooked(tmp_path, hook.url, deadline_seconds=0.2)
        announced(settings, store)
        found = Outbox(store).deliver_due(settings, later(0.3))
        gone.set()
    assert "no answer within the deadline" in found.faults[0]


def test_a_receiver_that_drips_its_headers_ends_at_the_deadline(tmp_path: Path, store: Store) -> None:
    """A byte a tenth of a second never meets a timeout that counts from one byte to the next."""

    def drip(handler: Any) -> None:
        handler.wfile.write(b"HTTP/1.1 200 OK\r\n")
        for _ in range(100):
            try:
                handler.wfile.write(b"X: y\r\n")
                handler.wfile.flush()
            except OSError:
                break
            time.sleep(0.1)
        handler.close_connection = True

    with receiving(drip) as hook:
        settings = hooked(tmp_path, hook.url, deadline_seconds=0.5)
        announced(settings, store)
        found = Outbox(store).deliver_due(settings, later(0.3))
    assert "no answer within the deadline" in found.faults[0]


def test_no_connection_is_said_without_the_address(tmp_path: Path, store: Store, monkeypatch: Any) -> None:
    """The address may hold a key: no fault repeats it."""
    monkeypatch.setenv("HOOK", "http://127.0.0.1:9/hook?key=tide-tables")
    settings = hooked(tmp_path, "")
    hook = settings.webhook.model_copy(update={"url": Secret("env:HOOK", tmp_path)})  # type: ignore[union-attr]
    settings = settings.model_copy(update={"webhook": hook})
    announced(settings, store)
    found = Outbox(store).deliver_due(settings, later(0.3))
    assert "no connection" in found.faults[0]
    assert "tide-tables" not in str(found) + str(Outbox(store).waiting())


def test_after_a_crash_between_sent_and_recorded_the_same_key_comes_again(tmp_path: Path, store: Store) -> None:
    """The receiver sees one key twice, and can tell."""

    class PowerCut(BaseException):
        pass

    with receiving(status(200)) as hook:
        settings = hooked(tmp_path, hook.url)
        announced(settings, store)

        def sent_and_gone(settings: Settings, store: Store, delivery: Delivery) -> None:
            webhook.send(settings, store, delivery)
            raise PowerCut

        with pytest.raises(PowerCut):
            Outbox(
                store, {"webhook": replace(CHANNELS["webhook"], send=sent_and_gone), "calendar": CHANNELS["told"]}
            ).deliver_due(settings, later(0.3))
        Outbox(store).deliver_due(settings, later(0.3))
        Outbox(store).deliver_due(settings, later(0.4))
    keys = [headers["Idempotency-Key"] for headers, _ in hook.got]
    assert keys == ['"webhook/ticket-1-2"'] * 2
    assert Outbox(store).waiting() == []


def test_one_bad_letter_does_not_stop_the_others(tmp_path: Path, store: Store) -> None:
    settings = hooked(tmp_path, "http://127.0.0.1:9/")
    outbox = Outbox(store)
    for key in ("a", "b", "c"):
        outbox.put(key, "webhook", "{}", AT)
    sent: list[str] = []

    def send(settings: Settings, store: Store, delivery: Delivery) -> None:
        if delivery.key == "a":
            raise MemoryError
        if delivery.key == "b":
            raise RecursionError
        sent.append(delivery.key)

    found = Outbox(store, {"webhook": replace(CHANNELS["webhook"], send=send)}).deliver_due(settings, AT)
    assert (sent, found.delivered, found.failed) == (["c"], 1, 2)
    assert [delivery.last_fault for delivery in outbox.waiting()] == [
        "a fault of ours: MemoryError",
        "a fault of ours: RecursionError",
    ]


def test_a_letter_is_kept_until_a_person_gives_it_up(tmp_path: Path, store: Store) -> None:
    with receiving(status(503)) as hook:
        settings = hooked(tmp_path, hook.url)
        announced(settings, store)
        at = later(0.3)
        for _ in range(12):
            Outbox(store).deliver_due(settings, at)
            at += timedelta(hours=6)
    outbox = Outbox(store)
    [delivery] = outbox.waiting()
    assert delivery.tries == 12
    outbox.give_up(delivery.key, at)
    assert outbox.waiting() == []
    with pytest.raises(InputError, match="no delivery"):
        outbox.give_up(delivery.key, at)


def test_the_wait_doubles_to_six_hours() -> None:
    assert [wait_after(n).total_seconds() / 60 for n in (1, 2, 3, 9, 10, 500)] == [1, 2, 4, 256, 360, 360]


def letter_of(**ticket: Any) -> Delivery:
    content = {"ticket": {"machine": "heron-01", "ticket": 7, **ticket}, "event": {"action": "approve", "at": "now"}}
    return Delivery(
        key="k", channel="webhook", created_at=AT, next_try_at=AT, tries=0, last_fault="",
        content=json.dumps(content),
    )  # fmt: skip


def test_the_farms_own_body(tmp_path: Path, store: Store) -> None:
    template = tmp_path / "body.json"
    template.write_text('{"title": {{ ticket.machine | tojson }}, "id": {{ key | tojson }}}', encoding="utf-8")
    with receiving(status(200)) as hook:
        settings = hooked(tmp_path, hook.url, template=template)
        announced(settings, store)
        Outbox(store).deliver_due(settings, later(0.3))
    [(headers, body)] = hook.got
    assert json.loads(body) == {"title": "heron-01", "id": "webhook/ticket-1-2"}
    assert headers["Content-Type"] == "application/json"


@pytest.mark.parametrize(
    ("ticket", "count"),
    [
        ({"phase": "approved", "cause": "screws"}, len(CAUTIONS) + 1),
        ({"phase": "approved", "cause": "host"}, 0),
        ({"phase": "proven", "cause": "screws"}, 0),
    ],
)
def test_the_cautions_go_with_what_sends_somebody_to_a_machine(ticket: dict[str, str], count: int) -> None:
    assert render_body("{{ cautions | length }}", letter_of(**ticket)) == str(count)


@pytest.mark.parametrize(
    ("template", "says"),
    [
        ("{{ ticket.machine", "line 1"),
        ("{{ nothing }}", "'nothing' is undefined"),
        ("{{ ticket.__class__.__mro__ }}", "unsafe"),
        ("{% set _ = ticket.update({}) %}", "not callable|unsafe"),
        ("{{ 1 / 0 }}", "division"),
        ("{% for i in range(10 ** 9) %}x{% endfor %}", "too big|Range"),
        ("{% macro again() %}{{ again() }}{% endmacro %}{{ again() }}", "RecursionError|too much"),
        ("{{ 'a' * 10 ** 11 }}", "MemoryError|too much"),
        ("{{ 'a' * 2000000 }}", "body of 2000000 bytes; at most 1048576"),
        ("{{ 'x'|center(10 ** 10) }}", "MemoryError|too much"),
        ("{{ '%1000000000d' % 1 }}", "MemoryError|too much"),
        ("{{ (range(99999)|list) * 9999 }}", "MemoryError|too much"),
        ("{% include '/etc/hostname' %}", "no loader"),
        ("{% import 'os' as os %}", "no loader"),
        ("{{ cycler.__init__.__globals__ }}", "unsafe"),
        ("{{ ''.__class__.__base__.__subclasses__() }}", "unsafe"),
        ("{{ '{0.__class__}'.format(key) }}", "unsafe"),
    ],
)
def test_a_template_that_does_not_render_is_said(template: str, says: str) -> None:
    with pytest.raises(DeliveryFault, match=says):
        render_body(template, letter_of())


def test_a_template_that_never_ends_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The same program with one second of processor time in place of five."""
    text = Path(webhook.__file__).with_name("rendering.py").read_text(encoding="utf-8")
    assert text.count("CPU_SECONDS = 5\n") == 1
    (tmp_path / "rendering.py").write_text(text.replace("CPU_SECONDS = 5\n", "CPU_SECONDS = 1\n"), encoding="utf-8")
    monkeypatch.setattr(webhook, "__file__", str(tmp_path / "webhook.py"))
    template = "{% for i in range(99999) %}{% for j in range(99999) %}{% endfor %}{% endfor %}"
    with pytest.raises(DeliveryFault, match=r"too much time|within 20 s"):
        render_body(template, letter_of())
