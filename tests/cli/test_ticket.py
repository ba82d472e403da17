"""ticket ...: from the proposal to the proof, on the command line."""

import json
from dataclasses import replace
from datetime import timedelta

import pytest

from farmwatch.assess import assess
from farmwatch.config import load_settings
from farmwatch.errors import InputError
from farmwatch.store import Move
from farmwatch.tickets import TicketRepository, is_settled, update_tickets
from tests.cli.conftest import NOW, bed, reading


@pytest.fixture
def proposed(farm):
    """Ticket 1: heron-01 jumped a tooth, two probings say so."""
    farm.store.add_readings(
        [reading("heron-01", days, bed(0.4 if days < 3 else 0.0, int(days))) for days in range(9, 0, -1)]
    )
    assert farm("ticket", "propose") == (0, "opened 1 (heron-01)\n", "")
    return farm


def test_a_list_of_none_says_so(farm):
    code, out, _ = farm("ticket", "list")
    assert code == 0
    assert "no ticket is open" in out


def test_the_list_of_one_aisle(proposed):
    assert "heron-01" in proposed("ticket", "list", "--aisle", "heron", "--sort", "machine")[1]
    assert "no ticket is open" in proposed("ticket", "list", "--aisle", "plover")[1]
    assert json.loads(proposed("ticket", "list", "--aisle", "plover", "--json")[1])["tickets"] == []
    assert "aisles: heron, plover" in proposed("ticket", "list", "--aisle", "avocet")[2]


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
    assert "possible now: reopen" in err


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
    assert "calendar file (due-work.ics, beside the reports): waits since" in out
    assert "to give it up: farmwatch ticket give-up calendar/change-1\n" in out
    proposed("ticket", "approve", "1")
    _, out, _ = proposed("ticket", "deliveries")
    assert out.count("calendar file") == 1


def hours_ago(hours):
    return NOW - timedelta(hours=hours)


@pytest.fixture
def proving(farm):
    """Guided work on ticket 1 some hours ago, one move made as told and one otherwise; nothing probed since."""
    settings, store = load_settings(farm.config), farm.store
    store.add_readings(
        [reading("heron-01", days, bed(0.4 if days < 3 else 0.0, int(days))) for days in range(9, 0, -1)]
    )
    update_tickets(settings, store, assess(settings, store, hours_ago(10)))
    book = TicketRepository(store)
    book.act(1, "approve", at=hours_ago(9), by="manager")
    book.act(1, "take", at=hours_ago(8), by="bench", change=lambda one: replace(one, work_from=hours_ago(8)))
    store.add_readings([replace(reading("heron-01", 6 / 24, bed(0.0, 77)), during_work=True)])
    move = Move(
        machine="heron-01", ticket=1, at=hours_ago(7), screw="front-right", teeth=1, mm=0.4, before_at=hours_ago(24),
        after_at=hours_ago(6), moved_mm=0.397, moved_sd_mm=0.01, range_before_mm=0.868, range_after_mm=0.026,
    )  # fmt: skip
    store.add_moves([move, replace(move, screw="front-left", teeth=-2, moved_mm=None)])
    book.act(1, "done", at=hours_ago(5), by="bench", change=lambda one: replace(one, work_until=hours_ago(5)))
    return farm


def test_in_proving_nothing_is_to_be_turned_and_what_was_turned_is_shown(proving):
    _, out, _ = proving("ticket", "show", "1")
    assert "Moves" not in out
    assert "the work should leave" not in out
    assert "proving: 0 of 2 probings; the next mesh counts, bed near 60 °C" in out
    flat = " ".join(out.split())
    assert "front right: 1 tooth clockwise seen from below; it rose 0.397 mm" in flat
    assert "front left: 2 teeth anticlockwise seen from below, but the mesh after it shows another move" in flat
    assert "range 0.868 -> 0.0" in out
    assert "range 0.868 -> 0.026 mm" in out
    assert "to be done" not in out


def test_a_probing_that_did_not_count_says_why_and_from_when_the_next_counts(proving):
    minutes = (40, 30)
    proving.store.add_readings([reading("heron-01", m / 1440, bed(0.0, 100 + m)) for m in minutes])
    counted = (NOW - timedelta(minutes=40)).astimezone(load_settings(proving.config).farm.timezone)
    _, out, _ = proving("ticket", "show", "1")
    flat = " ".join(out.split())
    clock = f"{counted + timedelta(hours=1):%H:%M}"
    assert "proving: 1 of 2 probings; the next counts from " in flat
    assert f"{clock}, bed near 60 °C" in flat
    assert "did not count: less than an hour after the one that counted" in flat
    _, out, _ = proving("ticket", "list")
    flat = " ".join(out.split())
    assert "proving, 1 of 2" in flat
    assert "mesh from" in flat
    assert "0.87" not in out


def test_the_first_tooth_comes_before_the_moves_as_for_the_machine(farm, monkeypatch):
    """One text for the machine and for its ticket."""
    monkeypatch.setenv("COLUMNS", "120")
    farm.store.add_readings(
        [reading("heron-01", days, bed(0.8 if days < 3 else 0.0, int(days))) for days in range(9, 0, -1)]
    )
    farm("ticket", "propose")

    def moves(out, upto):
        return out.split("\nMoves\n")[1].split(upto)[0]

    of_ticket = moves(farm("ticket", "show", "1")[1], "  farmwatch realign")
    assert " ".join(of_ticket.split()) in " ".join(farm("machine", "heron-01")[1].split())
    assert of_ticket.index("no move is on record for this machine") < of_ticket.index("front right: up 2 teeth")


def test_a_drive_nothing_is_known_of_has_its_moves_too(farm):
    text = farm.config.read_text()
    farm.config.write_text(text.replace('lead_mm = 8.0\npulley_teeth = 20\nclockwise = "raises"\n', ""))
    farm.store.add_readings(
        [reading("heron-01", days, bed(0.8 if days < 3 else 0.0, int(days))) for days in range(9, 0, -1)]
    )
    assert "opened 1" in farm("ticket", "propose")[1]
    _, out, _ = farm("ticket", "show", "1")
    flat = " ".join(out.split())
    assert flat.index("Before the first move") < flat.index("turn one screw by one tooth and mesh again")
    assert "rear: the reference, never turned" in out


def test_what_is_accepted_is_said_and_how_to_end_it(proposed):
    code, out, _ = proposed("ticket", "accept", "1", "--by", "manager")
    assert code == 0
    assert " ".join(out.split()) == (
        "ticket 1: heron-01, accepted at any range, with no end; to end it: farmwatch ticket withdraw 1 --why TEXT"
    )
    for command in (("show", "1"), ("list", "--all")):
        assert "at any range, with no end" in " ".join(proposed("ticket", *command)[1].split())
    assert proposed("ticket", "propose")[1] == "nothing has changed\n"
    code, out, _ = proposed("ticket", "withdraw", "1", "--why", "sold no longer", "--by", "manager")
    assert code == 0
    assert "the acceptance has ended" in out
    assert proposed("ticket", "propose")[1] == "opened 2 (heron-01)\n"


def test_an_acceptance_with_its_ends_says_both(proposed):
    _, out, _ = proposed("ticket", "accept", "1", "--limit", "2", "--until", "2035-01-01", "--by", "manager")
    assert "accepted up to 2 mm, until Mon 1 Jan 2035" in " ".join(out.split())


def test_a_list_too_broad_for_the_screen_says_what_it_leaves_out(proposed, monkeypatch):
    assert "Wider screens" not in proposed("ticket", "list")[1]
    monkeypatch.setenv("COLUMNS", "45")
    _, out, _ = proposed("ticket", "list")
    assert max(map(len, out.splitlines())) <= 45
    assert "Wider screens show cause and work too." in out
    assert "screws" not in out
    monkeypatch.setenv("COLUMNS", "70")
    assert "Wider screens show work too." in proposed("ticket", "list")[1]


def test_the_commands_are_listed_with_whole_sentences(farm):
    _, out, _ = farm("ticket", "--help")
    assert "..." not in out.partition("Commands:")[2]


@pytest.mark.parametrize("columns", [45, 80])
def test_a_ticket_in_proving_fits_the_screen(proving, monkeypatch, columns):
    monkeypatch.setenv("COLUMNS", str(columns))
    for command in (("show", "1"), ("list",), ("deliveries",)):
        _, out, _ = proving("ticket", *command)
        assert max(map(len, out.splitlines())) <= columns


def test_a_ticket_is_opened_by_hand_and_readings_alone_do_not_take_it_away(farm):
    farm.store.add_readings([reading("plover-01", days, bed(0.0, int(days))) for days in range(9, 0, -1)])
    code, out, _ = farm("ticket", "open", "plover-01", "--why", "It creaks.", "--cause", "frame", "--by", "bench 2")
    assert (code, out) == (0, "ticket 1: plover-01, proposed\n")
    assert "plover" not in farm("ticket", "propose")[1]
    document = json.loads(farm("ticket", "show", "plover-01", "--json")[1])
    assert (document["cause"], document["phase"], document["remark"]) == (
        "frame", "proposed", "Opened by hand: It creaks.",
    )  # fmt: skip
    code, _, err = farm("ticket", "open", "plover-01", "--why", "again")
    assert code == 2
    assert "ticket 1 is open for plover-01 already" in err
    assert farm("ticket", "open", "plover-01", "--why", " ")[0] == 2
    assert farm("ticket", "open", "no-such", "--why", "x")[0] == 2


def test_a_ticket_goes_by_the_name_of_its_machine(proposed):
    assert proposed("ticket", "approve", "heron-01", "--by", "manager")[1] == "ticket 1: heron-01, approved\n"
    assert proposed("ticket", "show", "heron-01")[1] == proposed("ticket", "show", "1")[1]
    code, _, err = proposed("ticket", "show", "plover-01")
    assert code == 2
    assert "plover-01 has no ticket" in err
    assert "did you mean" in proposed("ticket", "show", "heron-1")[2]
    assert proposed("ticket", "show", "0")[0] == 2
    assert proposed("ticket", "show", "99")[0] == 2


def test_who_has_it_is_said(proposed):
    out = proposed("ticket", "approve", "1", "--for", "bench 2", "--by", "manager")[1]
    assert out == "ticket 1: heron-01, approved for bench 2\n"
    assert "owner: bench 2" in proposed("ticket", "show", "1")[1]
    proposed("ticket", "assign", "1", "--to", "bench 3", "--by", "manager")
    assert "owner: bench 3" in proposed("ticket", "show", "1")[1]
    [one] = [m for m in json.loads(proposed("assess", "--json")[1])["machines"] if m["machine"] == "heron-01"]
    assert one["ticket"]["owner"] == "bench 3"
    proposed("ticket", "take", "1", "--by", "bench 1")
    assert "owner: bench 1" in proposed("ticket", "show", "1")[1]
    proposed("ticket", "put-back", "1", "--by", "bench 1")
    assert "owner:" not in proposed("ticket", "show", "1")[1]
    assert proposed("ticket", "assign", "1", "--to", " ")[0] == 2


@pytest.mark.parametrize(
    ("way", "undone"),
    [
        ((), None),
        (("approve",), "proposed"),
        (("approve", "take"), "approved"),
        (("approve", "take", "put-back"), "in-work"),
        (("approve", "take", "done"), "in-work"),
        (("approve", "take", "done", "take"), "proving"),
        (("approve", "take", "nothing-found"), "in-work"),
        (("accept",), "proposed"),
        (("withdraw",), "proposed"),
        (("approve", "take", "withdraw"), "in-work"),
    ],
)
def test_the_last_step_is_taken_back_and_the_ticket_is_what_it_was(proposed, way, undone):
    def said():
        document = json.loads(proposed("ticket", "show", "1", "--json")[1])
        return {key: value for key, value in document.items() if key not in ("changed_at", "events")}

    for action in way[:-1]:
        assert proposed("ticket", action, "1", "--by", "bench")[0] == 0
    before = said()
    for action in way[-1:]:
        more = ("--why", "a slip") if action == "withdraw" else ()
        assert proposed("ticket", action, "1", "--by", "bench", *more)[0] == 0
    code, out, err = proposed("ticket", "undo", "1", "--by", "bench")
    if undone is None:
        assert code == 2
        assert "nothing but its opening to undo" in err
        return
    assert (code, out) == (0, f"ticket 1: heron-01, {undone} again; undone: {way[-1]}\n")
    assert said() == before


def test_undo_goes_back_step_by_step_and_no_further_than_a_day(proposed):
    for action in ("approve", "take", "done"):
        proposed("ticket", action, "1", "--by", "bench")
    assert "in-work again" in proposed("ticket", "undo", "1")[1]
    assert "approved again" in proposed("ticket", "undo", "1")[1]
    assert "proposed again" in proposed("ticket", "undo", "1")[1]
    assert proposed("ticket", "undo", "1")[0] == 2
    book = TicketRepository(proposed.store)
    book.act(1, "approve", at=NOW, by="manager")
    with pytest.raises(InputError, match="older than a day"):
        book.undo(1, at=NOW + timedelta(days=3), by="manager")


def test_a_step_of_the_program_is_not_undone(proposed):
    for action in ("approve", "take", "done"):
        proposed("ticket", action, "1", "--by", "bench")
    TicketRepository(proposed.store).act(1, "fail", at=NOW + timedelta(hours=1), by="farmwatch", why="0.64 mm.")
    code, _, err = proposed("ticket", "undo", "1")
    assert code == 2
    assert "its last step was the program's (fail)" in err


@pytest.mark.parametrize(
    ("way", "phase"),
    [(("withdraw",), "proposed"), (("accept",), "proposed"), (("approve", "take", "nothing-found"), "proposed")],
)
def test_what_was_closed_by_mistake_is_opened_again(proposed, way, phase):
    for action in way:
        more = ("--why", "a slip") if action == "withdraw" else ()
        assert proposed("ticket", action, "1", "--by", "manager", *more)[0] == 0
    assert proposed("ticket", "reopen", "1", "--by", "manager")[0] == 2  # wanted: why
    code, out, _ = proposed("ticket", "reopen", "heron-01", "--by", "manager", "--why", "It was too early.")
    assert (code, out) == (0, f"ticket 1: heron-01, {phase}\n")
    document = json.loads(proposed("ticket", "show", "1", "--json")[1])
    assert (document["closed_at"], document["accepted_until"], document["closed_range_mm"]) == (None, None, None)
    assert "too early" in document["remark"]
    # A second one beside it is refused.
    assert proposed("ticket", "open", "heron-01", "--why", "x")[0] == 2


def test_a_withdrawn_ticket_does_not_hide_a_machine_past_its_limit(proposed):
    proposed("ticket", "withdraw", "1", "--by", "manager", "--why", "a slip")
    assert proposed("ticket", "propose")[1] == "nothing has changed\n"  # nobody is asked again at once
    settings = load_settings(proposed.config)
    found = assess(settings, proposed.store, NOW + timedelta(minutes=5), ["heron-01"])
    mine = TicketRepository(proposed.store).tickets(["heron-01"])
    assert not is_settled(found.machines[0], mine, found.at, settings.limits.usable_mm)


def probed(farm, hours, **facts):
    """A flat bed so many hours ago."""
    farm.store.add_readings([replace(reading("heron-01", hours / 24, bed(0.0, int(hours * 10))), **facts)])


def test_what_is_set_aside_proves_nothing_and_a_proof_that_rests_on_it_is_named(proving):
    probed(proving, 4)
    probed(proving, 2)
    at = f"{hours_ago(2):%Y-%m-%dT%H:%M:%SZ}"
    proving("set-aside", "heron-01", "--at", at, "--why", "a tool lay there")
    assert "proving: 1 of 2 probings" in proving("ticket", "show", "1")[1]
    proving("put-back-in", "heron-01", "--at", at)
    assert "proven 1 (heron-01)" in proving("ticket", "propose")[1]
    out = " ".join(proving("set-aside", "heron-01", "--at", at, "--why", "a tool lay there")[1].split())
    assert "ticket 1 was proven by probings of that time" in out
    assert "farmwatch ticket reopen 1 --why TEXT" in out


def test_what_another_mapping_read_proves_nothing(proving, spoil):
    spoil('name = "heron-01"\n', 'name = "heron-01"\nmapping = "survey-rows"\naddress = "http://127.0.0.1:9"\n')
    mark = load_settings(proving.config).read_by["heron-01"]
    probed(proving, 4, read_by=mark)
    probed(proving, 2, read_by="0123456789abcdef")
    assert "proving: 1 of 2 probings" in proving("ticket", "show", "1")[1]
    said = "1 reading of its old mapping left out, not judged and in no trend"
    for command in (("machine", "heron-01"), ("check",)):
        assert said in " ".join(proving(*command)[1].split())
