"""Work that no mesh has seen yet: said on every screen, with nothing left to turn."""

import html
import json
import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from farmwatch.assess import assess
from farmwatch.config import load_settings
from farmwatch.text import day_of
from farmwatch.tickets import Outbox, TicketRepository, update_tickets
from tests.cli.conftest import NOW, bed, reading


@pytest.fixture
def done(farm):
    """heron-01 jumped a tooth; the work on its ticket is done, and nobody has probed it since."""
    farm.store.add_readings(
        [reading("heron-01", days, bed(0.4 if days < 3 else 0.0, int(days))) for days in range(9, 0, -1)]
    )
    farm("ticket", "propose")
    for action in ("approve", "take", "done"):
        assert farm("ticket", action, "1", "--by", "bench 2")[0] == 0
    return farm


DELIVERED = """
[webhook]
url = "http://127.0.0.1:9/hook"

[mail]
host = "127.0.0.1"
port = 9
security = "none-on-loopback"
sender = "farm@tidegate.example"
report_to = ["office@tidegate.example"]
notices_to = ["office@tidegate.example"]
"""


@pytest.fixture
def done_again(farm):
    """heron-01 after a second work: the first brought one tooth where two were planned, and its check failed."""
    farm.config.write_text(farm.config.read_text().replace("[models", DELIVERED + "\n[models", 1))
    (farm.config.parent / "farmwatch.duckdb").unlink()
    settings, book = load_settings(farm.config), TicketRepository(farm.store)
    farm.store.add_readings([reading("heron-01", days, bed(0.8, int(days))) for days in (8.9, 7.9, 6.9)])
    Outbox(farm.store).announce(settings, NOW - timedelta(days=30))
    update_tickets(settings, farm.store, assess(settings, farm.store, NOW - timedelta(days=6)))
    for days, action in ((5.9, "approve"), (5.8, "take"), (5.7, "done")):
        at = NOW - timedelta(days=days)
        work = {"take": {"work_from": at}, "done": {"work_until": at, "method": "realign"}}.get(action, {})
        book.act(1, action, at=at, by="bench 2", change=lambda one, work=work: replace(one, **work))
    farm.store.add_readings([reading("heron-01", days, bed(0.4, 50 + int(days))) for days in (5, 4)])
    update_tickets(settings, farm.store, assess(settings, farm.store, NOW - timedelta(days=3)))
    assert book.ticket(1).phase == "came-back"
    assert "came up one tooth; two were planned" in book.ticket(1).remark
    for action in ("take", "done"):
        assert farm("ticket", action, "1", "--by", "bench 2")[0] == 0
    return farm


def _documents(farm, channel):
    return [json.loads(one.content) for one in Outbox(farm.store).waiting() if one.channel == channel]


def _week(farm, suffix):
    year, week, _ = NOW.isocalendar()
    farm("report", "--week", f"{year}-W{week:02d}")
    [page] = (farm.config.parent / "reports").glob(f"farmwatch-*{suffix}")
    return page.read_text()


def _printed(page):
    page = re.sub(r"<(style|svg).*?</\1>", " ", page, flags=re.DOTALL)
    return html.unescape(re.sub(r"<[^>]+>", " ", page))


def _calendar(farm):
    settings = load_settings(farm.config)
    Outbox(farm.store).announce(settings, datetime.now(UTC))
    Outbox(farm.store).deliver_due(settings, datetime.now(UTC))
    return (settings.farm.reports / "due-work.ics").read_bytes().decode().replace("\r\n ", "").replace("\\", "")


def _machine_of(document):
    [one] = [one for one in json.loads(document)["machines"] if one["machine"] == "heron-01"]
    return one


# How each surface speaks of a machine whose work is done: as words, or as a document.
WORDS = {
    "fleet": lambda farm: farm("fleet")[1],
    "fleet with reasons": lambda farm: farm("assess")[1],
    "machine": lambda farm: farm("machine", "heron-01")[1],
    "ticket list": lambda farm: farm("ticket", "list")[1],
    "ticket show": lambda farm: farm("ticket", "show", "heron-01")[1].partition("What happened")[0],
    "report and work sheet": lambda farm: _printed(_week(farm, ".html")),
    "calendar": _calendar,
}
DOCUMENTS = {
    "assess": lambda farm: _machine_of(farm("assess", "--json")[1]),
    "fleet": lambda farm: _machine_of(farm("fleet", "--json")[1]),
    "ticket show": lambda farm: json.loads(farm("ticket", "show", "1", "--json")[1]),
    "ticket list": lambda farm: json.loads(farm("ticket", "list", "--json")[1])["tickets"][0],
    "report": lambda farm: _machine_of(_week(farm, ".json")),
    "webhook": lambda farm: _documents(farm, "webhook")[-1]["ticket"],
    "mail": lambda farm: _documents(farm, "mail")[-1]["events"][-1]["ticket"],
}
# An order to turn anything; what was turned long ago may be told.
ORDERS = re.compile(
    r"clockwise|realign(?! heron)(?!ment)|turn the screws|(up|down) \d (tooth|teeth)|were planned|should leave", re.I
)


@pytest.mark.long
def test_no_surface_orders_a_turn_while_the_work_waits_for_its_mesh(done_again, monkeypatch):
    monkeypatch.setenv("COLUMNS", "200")
    for name, say in WORDS.items():
        said = say(done_again)
        assert "do not turn" in said, name
        told = re.sub(r"(jumped|came|farmwatch realign|tooth-jump).*", "", said)
        assert not ORDERS.search(told), (name, ORDERS.search(told))
    for name, say in DOCUMENTS.items():
        said = say(done_again)
        assert said.get("plan") is None, name
        assert said["advice"] in (["re-mesh"], "re-mesh"), name
        assert not said.get("remark"), name


def probed(done, days, tilt):
    """A reading from after the work; the bed stands `tilt` mm off."""
    done.store.add_readings([reading("heron-01", days, bed(tilt, 99))])


def flat(text):
    return " ".join(text.split())


def test_every_screen_says_so_and_none_orders_a_turn(done):
    fleet, machine = flat(done("fleet")[1]), flat(done("machine", "heron-01")[1])
    ticket = flat(done("ticket", "show", "1")[1])
    when = day_of(TicketRepository(done.store).ticket(1).work_until, ZoneInfo("Europe/Dublin"), year=False)
    assert "work done" in fleet
    # The table breaks the words over lines of a narrow column, with those of other columns between them.
    assert sorted({"not", "turn;", "probe"} & set(fleet.split())) == ["not", "probe", "turn;"]
    assert f"What to do: work done {when}; do not turn; probe hot." in machine
    assert f"Work done {when}; do not turn; probe hot." in ticket
    assert "bench 2" in machine
    listed = flat(done("ticket", "list")[1])
    assert "do not turn" in listed or "Wider screens show" in listed
    for screen in (fleet, machine, ticket, listed):
        assert "clockwise" not in screen
        assert "realign" not in screen.replace("farmwatch realign", "")


def test_the_documents_say_so_with_no_plan(done):
    [one] = [m for m in json.loads(done("assess", "--json")[1])["machines"] if m["machine"] == "heron-01"]
    assert (one["plan"], one["advice"]) == (None, ["re-mesh"])
    assert (one["ticket"]["number"], one["ticket"]["phase"], one["ticket"]["owner"]) == (1, "proving", "bench 2")
    [row] = [m for m in json.loads(done("fleet", "--json")[1])["machines"] if m["machine"] == "heron-01"]
    assert (row["advice"], row["ticket"]["phase"]) == (["re-mesh"], "proving")
    assert json.loads(done("ticket", "show", "1", "--json")[1])["plan"] is None


def test_a_mesh_later_than_the_work_is_judged_again(done):
    settings = load_settings(done.config)
    later = NOW + timedelta(hours=5)
    probed(done, -2 / 24, 0.4)
    [one] = assess(settings, done.store, later, ["heron-01"]).machines
    assert one.ticket.phase == "proving"
    assert not one.awaits_mesh
    assert one.plan is not None
    assert one.plan.teeth == {"front-left": 0, "front-right": 1}


def test_a_cold_mesh_does_not_say_how_it_stands(done):
    settings = load_settings(done.config)
    models = dict(settings.models)
    name = settings.machine("heron-01").model
    settings = settings.model_copy(update={"models": {**models, name: replace(models[name], judge_from_celsius=45.0)}})
    done.store.add_readings([replace(reading("heron-01", -2 / 24, bed(0.0, 99)), bed_celsius=20.0)])
    [one] = assess(settings, done.store, NOW + timedelta(hours=5), ["heron-01"]).machines
    assert one.awaits_mesh
    assert one.plan is None


def test_at_an_earlier_time_the_ticket_is_what_it_was_then(done):
    settings, store = load_settings(done.config), done.store
    opened = TicketRepository(store).ticket(1).opened_at
    [one] = assess(settings, store, opened - timedelta(minutes=1), ["heron-01"]).machines
    assert one.ticket is None
    assert one.plan is not None


@pytest.fixture
def in_work(farm):
    """heron-01 stood two teeth low; its ticket is taken, and the first mesh of the work shows one tooth turned."""
    (farm.config.parent / "farmwatch.duckdb").unlink()
    settings, book = load_settings(farm.config), TicketRepository(farm.store)
    farm.store.add_readings([reading("heron-01", days, bed(0.8, int(days))) for days in (8.9, 7.9, 6.9)])
    update_tickets(settings, farm.store, assess(settings, farm.store, NOW - timedelta(days=6)))
    for days, action in ((5.9, "approve"), (0.5, "take")):
        at = NOW - timedelta(days=days)
        work = {"work_from": at} if action == "take" else {}
        book.act(1, action, at=at, by="bench 2", change=lambda one, work=work: replace(one, **work))
    return farm


def test_in_work_the_ticket_tells_what_the_newest_mesh_leaves_to_turn(in_work):
    before = flat(in_work("ticket", "show", "1")[1])
    assert "before the work began" in before
    assert "front right: up 2 teeth" in before
    in_work.store.add_readings([replace(reading("heron-01", 0.4, bed(0.4, 3)), during_work=True)])
    after = flat(in_work("ticket", "show", "1")[1])
    assert "front right: up 1 tooth" in after
    assert "2 teeth" not in after.partition("What happened")[0]
    document = json.loads(in_work("ticket", "show", "1", "--json")[1])
    assert document["plan"]["teeth"] == {"front-left": 0, "front-right": 1}
    in_work.store.add_readings([replace(reading("heron-01", 0.3, bed(0.0, 4)), during_work=True)])
    done = flat(in_work("ticket", "show", "1")[1])
    assert "By the newest mesh nothing is left to do. Say so: farmwatch ticket done 1" in done
    assert "clockwise" not in done
    assert json.loads(in_work("ticket", "show", "1", "--json")[1])["plan"] is None


@pytest.mark.long
def test_out_of_service_at_the_bench_the_old_moves_go_with_the_first_mesh(in_work):
    assert in_work("out", "heron-01", "--reason", "at the bench")[0] == 0
    assert "front right: up 2 teeth" in flat(in_work("ticket", "show", "1")[1])
    in_work.store.add_readings([replace(reading("heron-01", 0.4, bed(0.4, 3)), during_work=True)])
    said = flat(in_work("ticket", "show", "1")[1])
    assert "teeth" not in said.partition("Before the first move")[2].partition("Common practice")[2]
    assert "the next mesh shows: farmwatch realign heron-01" in said
