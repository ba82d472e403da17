"""The list of tickets: what is to be done first on top, what only waits below."""

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from farmwatch.cli.ticket_list import show_tickets
from farmwatch.tickets import Ticket

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
