"""ticket ...: from the proposal to the proof, on the command line."""

import json

import pytest

from tests.cli.conftest import bed, reading


@pytest.fixture
def proposed(farm):
    """Ticket 1: heron-01 jumped a tooth, two probings say so."""
    farm.store.add_readings(
        [reading("heron-01", days, bed(0.4 if days < 3 else 0.0, int(days))) for days in range(9, 0, -1)]
    )
    assert farm("ticket", "propose") == (0, "opened 1\n", "")
    return farm


def test_a_list_of_none_says_so(farm):
    code, out, _ = farm("ticket", "list")
    assert code == 0
    assert "no ticket is open" in out


def test_the_way_of_a_ticket(proposed):
    assert proposed("ticket", "approve", "1", "--by", "manager") == (0, "ticket 1: heron-01, approved\n", "")
    assert proposed("ticket", "take", "1", "--by", "bench")[1] == "ticket 1: heron-01, in-work\n"
    code, _, err = proposed("ticket", "take", "1", "--by", "other")
    assert code == 2
    assert "ticket 1 is in-work: take cannot follow; possible now: put-back, done" in err
    assert "last: take by bench" in err
    assert proposed("ticket", "done", "1", "--by", "bench", "--method", "realign")[1] == "ticket 1: heron-01, proving\n"
    document = json.loads(proposed("ticket", "show", "1", "--json")[1])
    assert (document["schema"], document["phase"], document["method"]) == ("farmwatch.ticket/1", "proving", "realign")
    assert [event["action"] for event in document["events"]] == ["propose", "approve", "take", "done"]
    assert proposed("ticket", "propose")[1] == "nothing has changed\n"


def test_a_ticket_carries_its_moves_and_the_cautions_before_them(proposed):
    _, out, _ = proposed("ticket", "show", "1")
    assert out.index("Before the first move") < out.index("Moves")
    assert "front right: up 1 tooth, clockwise seen from below" in out
    assert "rear: the reference, never turned" in out
    assert "farmwatch only reads" in out


def test_a_machine_is_accepted_only_up_to_what_it_is(proposed):
    code, _, err = proposed("ticket", "accept", "1", "--limit", "0.2", "--by", "manager")
    assert code == 2
    assert "accepted would be what it is not" in err
    code, _, err = proposed("ticket", "accept", "1", "--limit", "nan", "--by", "manager")
    assert code == 2
    assert proposed("ticket", "accept", "1", "--limit", "2", "--until", "2035-01-01", "--by", "manager")[0] == 0
    assert proposed("ticket", "propose")[1] == "nothing has changed\n"


def test_a_withdrawal_wants_a_reason(proposed):
    assert proposed("ticket", "withdraw", "1")[0] == 2
    assert proposed("ticket", "withdraw", "1", "--why", " ")[0] == 2
    assert proposed("ticket", "withdraw", "1", "--why", "scrapped", "--by", "manager")[0] == 0
    code, _, err = proposed("ticket", "approve", "1")
    assert code == 2
    assert "closed; nothing follows" in err


@pytest.mark.parametrize("arguments", [("show", "9"), ("approve", "9"), ("give-up", "webhook/ticket-9-1")])
def test_what_is_not_there_is_said(farm, arguments):
    code, _, err = farm("ticket", *arguments)
    assert code == 2
    assert "there is no ticket 9" in err or "no delivery" in err


def test_words_are_a_line_of_plain_text(proposed):
    assert proposed("ticket", "approve", "1", "--by", "a\nb")[0] == 2
    assert proposed("ticket", "approve", "1", "--why", "x" * 400)[0] == 2
    assert json.loads(proposed("ticket", "show", "1", "--json")[1])["phase"] == "proposed"


def test_the_figures_are_a_document(proposed):
    document = json.loads(proposed("ticket", "figures", "--json")[1])
    assert document["schema"] == "farmwatch.ticket-figures/1"
    assert document["open_tickets"] == 1


def test_what_is_to_be_delivered_is_shown(proposed):
    code, out, _ = proposed("ticket", "deliveries")
    assert code == 0
    assert "calendar/change-1" in out
