"""The list of tickets: what is to be done first on top, what only waits below."""

import json
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from farmwatch.cli.fleet import CONDITIONS
from farmwatch.cli.ticket import PHASES
from farmwatch.cli.ticket_list import show_tickets
from farmwatch.judge.words import CONDITION_WORDS
from farmwatch.tickets import Ticket, phases

NOW = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)


def ticket(number, phase="proposed", due=None, **changes):
    given = {"machine": f"heron-{number:02d}", "cause": "screws", "opened_at": NOW, "changed_at": NOW, "priority": 2}
    return Ticket(number=number, phase=phase, due=due, **{**given, **changes})


def test_by_due_day_then_what_is_in_proving_then_what_is_closed_newest_first(capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", "80")
    tickets = [
        ticket(1, "proving", date(2026, 11, 20), priority=1),
        ticket(2, "approved", date(2026, 11, 27)),
        ticket(3, "proven", date(2026, 11, 1), closed_at=NOW - timedelta(days=9)),
        ticket(4, "came-back", date(2026, 11, 24), priority=1),
        ticket(5, "withdrawn", closed_at=NOW - timedelta(days=2)),
        ticket(6, "proposed", date(2026, 11, 27), priority=1),
    ]
    show_tickets(tickets, {}, NOW, ZoneInfo("Europe/Dublin"))
    out = capsys.readouterr().out
    rows = [line.split() for line in out.splitlines()[1:7]]
    assert [int(row[0]) for row in rows] == [4, 6, 2, 1, 5, 3]
    assert " ".join(rows[0][3:7]) == "Tue 24 Nov, late"
    assert "The first due stands on top" in out


@pytest.mark.parametrize(("cause", "said"), [("host", "next answer"), ("screws", "next mesh")])
def test_what_is_in_proving_is_due_nothing_but_a_sign(capsys, cause, said):
    show_tickets([ticket(1, "proving", date(2026, 11, 20), cause=cause)], {}, NOW, ZoneInfo("Europe/Dublin"))
    out = capsys.readouterr().out
    assert said in out
    assert "late" not in out


@pytest.mark.parametrize(
    ("order", "wanted"), [("due", [3, 1, 2]), ("number", [1, 2, 3]), ("range", [2, 3, 1]), ("machine", [2, 3, 1])]
)
def test_in_another_order_the_foot_says_nothing_of_the_due_day(capsys, order, wanted):
    tickets = [
        ticket(1, due=date(2026, 11, 26), machine="plover-01", range_mm=0.3),
        ticket(2, due=date(2026, 11, 27), machine="avocet-01", range_mm=0.9),
        ticket(3, due=date(2026, 11, 25), machine="heron-01", range_mm=0.5),
    ]
    show_tickets(tickets, {}, NOW, ZoneInfo("Europe/Dublin"), order)
    out = capsys.readouterr().out
    assert [int(line.split()[0]) for line in out.splitlines()[1:4]] == wanted
    assert ("The first due stands on top" in out) == (order == "due")


def test_the_phases_offered_are_those_there_are():
    assert set(PHASES) == set(phases.PHASES)
    assert set(CONDITIONS) == set(CONDITION_WORDS)


def test_tickets_of_a_phase_or_a_condition(farm):
    farm("ticket", "open", "heron-01", "--why", "it creaks")
    farm("ticket", "open", "plover-01", "--why", "it creaks")
    farm("ticket", "withdraw", "2", "--why", "it was the belt of another")

    def listed(*options):
        code, out, err = farm("ticket", "list", "--json", *options)
        assert (code, err) == (0, "")
        return [one["ticket"] for one in json.loads(out)["tickets"]]

    assert listed() == [1]
    assert listed("--phase", "withdrawn") == [2]
    assert listed("--phase", "withdrawn", "--phase", "approved", "--phase", "proposed") == [1, 2]
    assert listed("--condition", "past-limit") == [1]
    assert listed("--condition", "ideal") == []
    assert "did you mean proving?" in farm("ticket", "list", "--phase", "prooving")[2]
