"""Work that no mesh has seen yet: said on every screen, with nothing left to turn."""

import json
from dataclasses import replace
from datetime import timedelta
from zoneinfo import ZoneInfo

import pytest

from farmwatch.assess import assess
from farmwatch.config import load_settings
from farmwatch.text import day_of
from farmwatch.tickets import TicketRepository
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
    assert "not turn; probe" in fleet  # the table breaks the words over lines of a narrow column
    assert f"Work done {when}; do not turn; probe hot." in machine
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
