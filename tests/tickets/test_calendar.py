"""The calendar file, read back by an independent parser."""

import re
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest

from farmwatch.judge import CAUTIONS, CAUTIONS_FOOT
from farmwatch.tickets import Ticket
from farmwatch.tickets.calendar import due_work
from tests.tickets.farm import AT, later, settings_in

TICKET = Ticket(
    number=12, machine="heron-01", cause="screws", phase="approved", revision=3, advice=("realign", "shim"),
    opened_at=AT, changed_at=later(2), priority=1, due=date(2026, 11, 26), range_mm=0.8, predicted_mm=0.15,
    remark="Came back; a comma, a semicolon; and a\nline.",
)  # fmt: skip


@pytest.mark.filterwarnings("ignore::DeprecationWarning")
def test_another_parser_reads_the_same_work(tmp_path: Path) -> None:
    """J. Harris, vobject: an independent reader of RFC 5545."""
    vobject = pytest.importorskip("vobject")
    data = due_work(settings_in(tmp_path), [TICKET])
    todo = vobject.readOne(data.decode("utf-8")).vtodo
    assert todo.summary.value == "heron-01: realign, then shim"
    assert todo.due.value == date(2026, 11, 26)
    assert todo.priority.value == "1"
    assert todo.status.value == "NEEDS-ACTION"
    assert todo.uid.value == "ticket-12@saltmarsh-tidegate-works"
    assert todo.dtstamp.value == later(2)
    calendar = vobject.readOne(data.decode("utf-8"))
    assert calendar.contents["name"][0].value == "Due work, Saltmarsh Tidegate Works"
    for caution in (*CAUTIONS, CAUTIONS_FOOT):
        assert caution in todo.description.value
    assert "Came back; a comma, a semicolon; and a\nline." in todo.description.value


def test_the_bytes_keep_to_the_standard(tmp_path: Path) -> None:
    """RFC 5545, 3.1: lines end in CRLF and hold at most 75 octets."""
    data = due_work(settings_in(tmp_path), [replace(TICKET, machine="ü" * 60), replace(TICKET, number=3)])
    assert data == due_work(settings_in(tmp_path), [replace(TICKET, number=3), replace(TICKET, machine="ü" * 60)])
    lines = data.split(b"\r\n")
    assert max(map(len, lines)) <= 75
    assert b"\n" not in data.replace(b"\r\n", b"")


def test_no_name_that_the_standard_does_not_know_stands_in_it(tmp_path: Path) -> None:
    """Names that begin with X- are some program's own (RFC 5545, 3.8.8.2)."""
    assert not re.findall(rb"(?m)^X-", due_work(settings_in(tmp_path), [TICKET]))


def test_a_host_to_be_looked_at_needs_no_cautions(tmp_path: Path) -> None:
    assert b"plug pulled" not in due_work(settings_in(tmp_path), [replace(TICKET, cause="host")])


def test_work_done_and_not_probed_says_so_and_orders_nothing(tmp_path: Path) -> None:
    done = replace(TICKET, phase="proving", work_until=later(-80), plan={"teeth": {"front-left": -1}})
    vobject = pytest.importorskip("vobject")
    data = due_work(settings_in(tmp_path), [done])
    [todo] = vobject.readOne(data.decode("utf-8")).vtodo_list
    assert todo.summary.value == "heron-01: work done Sun 22 Nov; do not turn; probe hot"
    assert "Do not turn anything" in todo.description.value
    assert "has the moves" not in todo.description.value
    assert "due" not in todo.contents
    assert b"VTODO" not in due_work(settings_in(tmp_path), [replace(done, cause="host")])


@pytest.mark.parametrize("phase", ["proven", "accepted", "nothing-found", "withdrawn"])
def test_what_waits_for_no_hands_stands_in_no_calendar(tmp_path: Path, phase: str) -> None:
    assert b"VTODO" not in due_work(settings_in(tmp_path), [replace(TICKET, phase=phase)])  # type: ignore[arg-type]
