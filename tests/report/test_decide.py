"""What tickets ask of the manager: each machine in one line, with its number and the command to do it."""

from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from types import ModuleType

import pytest

from farmwatch.report.decide import Decision, decisions_today, run_where, with_all_names, with_fewer_names
from farmwatch.report.view import WeeklyView
from farmwatch.tickets import Ticket

TODAY = date(2026, 11, 23)


def lines(view: WeeklyView) -> dict[str, Decision]:
    return {decision.what: decision for decision in (*view.decisions, *view.decisions_behind)}


@pytest.mark.parametrize(
    ("what", "names", "command"),
    [
        ("Came back: see why, approve anew", "heron-06 (ticket 3)", "farmwatch ticket show 3"),
        ("Late, screws to turn", "plover-05 (ticket 2, due Tue 17 Nov)", "farmwatch realign plover-05"),
        ("Approve a look at belt and pulleys", "plover-03 (ticket 9)", "farmwatch ticket approve 9"),
        ("Approve turning the screws", "heron-01 (ticket 4)", "farmwatch ticket approve 4"),
        (
            "Accept as it is, or approve shims", "heron-09 (ticket 7)",
            "farmwatch ticket accept 7 --limit 0.40 --until 2027-05-24",
        ),
        ("Done, not probed since: mesh it hot", "plover-04 (ticket 15)", "farmwatch poll"),
        (
            "Right again by itself: look why, or withdraw", "plover-01 (ticket 12)",
            'farmwatch ticket withdraw 12 --why "came right"',
        ),
        ("Mesh again hot; turn nothing yet", "avocet-08 (ticket 10)", "farmwatch poll"),
        ("Plan bench time within four weeks", "plover-02 and heron-05", "farmwatch machine plover-02"),
        ("Find out what is wrong with the host", "plover-10 (ticket 8) and avocet-10", "farmwatch check"),
    ],
)  # fmt: skip
def test_each_kind_has_its_line(with_tickets: WeeklyView, what: str, names: str, command: str):
    decision = lines(with_tickets)[what]
    assert (decision.names, decision.command) == (names, command)


def test_nobody_is_asked_for_twice_and_nothing_else_is_asked(with_tickets: WeeklyView):
    assert len(lines(with_tickets)) == 10
    everyone = [name for decision in lines(with_tickets).values() for name in decision.machines]
    assert len(everyone) == len(set(everyone))
    quiet = {"avocet-02": "in work", "plover-07": "accepted", "heron-02": "proven", "avocet-05": "out of service"}
    assert not quiet.keys() & set(everyone)


def test_without_tickets_it_reads_as_before(view: WeeklyView):
    assert not any("ticket" in d.command + d.what + d.names for d in (*view.decisions, *view.decisions_behind))
    assert (view.follow_ups, view.figures, view.decisions_behind) == (None, (), ())


def ticket(machine: str, phase: str, number: int = 5, **facts) -> Ticket:
    opened = facts.pop("opened_at", None)
    return Ticket(number=number, machine=machine, cause="screws", phase=phase, opened_at=opened, changed_at=opened,
                  priority=2, **facts)  # fmt: skip


def test_the_limit_that_is_typed_leaves_room_above_the_range(invented: ModuleType):
    floor = replace(invented.machine("heron-01", invented.bed()), condition="past-limit", at_tooth_floor=True,
                    advice=("shim",))  # fmt: skip
    for range_mm, limit in ((0.271, "0.30"), (0.273, "0.35"), (0.45, "0.50")):
        asked = decisions_today([replace(floor, range_mm=range_mm)], [], [ticket("heron-01", "proposed")], today=TODAY)
        assert f"--limit {limit} --until 2027-05-24" in asked[0].command


@pytest.mark.parametrize(
    ("phase", "due", "what", "command"),
    [
        ("approved", TODAY, "Approved: turn the screws", "farmwatch realign heron-01"),
        ("approved", TODAY - timedelta(days=1), "Late, screws to turn", "farmwatch realign heron-01"),
        ("in-work", TODAY - timedelta(days=1), "Late, other work", "farmwatch ticket show 5"),
        ("in-work", TODAY, None, None),
        ("proving", TODAY - timedelta(days=1), None, None),
        ("proposed", TODAY - timedelta(days=1), "Approve turning the screws", "farmwatch ticket approve 5"),
    ],
)
def test_late_is_what_was_approved_and_is_not_done(invented: ModuleType, phase, due, what, command):
    machine = invented.machine("heron-01", invented.bed((0.4, 0.0)))
    asked = decisions_today([machine], [], [ticket("heron-01", phase, due=due)], today=TODAY)
    assert [(d.what, d.command) for d in asked] == ([] if what is None else [(what, command)])


def test_a_plan_ahead_is_approved_as_such_and_not_asked_again(invented: ModuleType):
    soon = replace(invented.machine("heron-01", invented.bed((0.1, 0.0))), condition="usable", advice=("plan-ahead",))
    (asked,) = decisions_today([soon], ["heron-01"], [ticket("heron-01", "proposed")], today=TODAY)
    assert asked.what == "Approve bench time before the limit"


def test_what_a_closed_ticket_has_answered_is_not_asked(invented: ModuleType):
    machine = invented.machine("heron-01", invented.bed((0.4, 0.0)))
    assert decisions_today([machine], [], today=TODAY)
    assert decisions_today([machine], [], settled={"heron-01"}, today=TODAY) == ()


def test_fewer_names_count_the_rest(invented: ModuleType):
    many = [invented.machine(f"heron-{i:02d}", invented.bed((0.9 - 0.1 * i, 0.0))) for i in range(6)]
    tickets = [ticket(f"heron-{i:02d}", "proposed", number=10 + i) for i in range(6)]
    (asked,) = decisions_today(many, [], tickets, today=TODAY)
    assert asked.names == "heron-00 (ticket 10), heron-01 (11), heron-02 (12) and 3 more"
    assert asked.tickets == tuple(range(10, 16))
    assert with_fewer_names(asked, 2, 6).names == "heron… (ticket 10) and 5 more"


def test_the_command_fits_every_machine_of_its_line(invented: ModuleType):
    """A probe to look at never stands behind the command that guides the turning of screws, late or in time."""
    turn = invented.machine("heron-02", invented.bed((0.9, 0.0)))
    probe = replace(invented.machine("heron-03", invented.bed((0.4, 0.0))), advice=("check-probe",))
    drive = replace(invented.machine("heron-04", invented.bed((0.3, 0.0))), advice=("inspect-drive", "realign"))
    for due, when, words in (
        (TODAY - timedelta(days=7), ("Late, screws to turn", "Late, other work"), ", due Mon 16 Nov"),
        (TODAY, ("Approved: turn the screws", "Approved: do the work"), ""),
    ):
        some = [ticket(f"heron-{i:02d}", "approved", number=i, due=due) for i in (2, 3, 4)]
        asked = decisions_today([turn, probe, drive], [], some, today=TODAY)
        assert [(d.what, d.machines, d.command) for d in asked] == [
            (when[0], ("heron-02",), "farmwatch realign heron-02"),
            (when[1], ("heron-03", "heron-04"), "farmwatch ticket show 3"),
        ]
        assert asked[0].names == f"heron-02 (ticket 2{words})"
        assert asked[1].names == f"heron-03 (ticket 3{words}) and heron-04 (4{words})"


def test_all_names_are_every_name_whole(invented: ModuleType):
    many = [replace(invented.machine("heron", invented.bed((0.4, 0.0))), machine=f"{i:030d}") for i in range(9)]
    (asked,) = decisions_today(many, [], today=TODAY)
    assert asked.names.endswith("… and 6 more")
    assert [name in with_all_names(asked).names for name in asked.machines] == [True] * 9


@pytest.mark.parametrize(
    ("config", "words"),
    [
        (None, ""),
        ("/srv/farm/config.toml", "Run the commands of this report in /srv/farm, where the farm's config.toml lies."),
        ("/srv/a b/x.toml", "Run the commands of this report as: farmwatch --config '/srv/a b/x.toml' …"),
    ],
)
def test_where_the_commands_are_run_is_said(config: str | None, words: str):
    assert run_where(None if config is None else Path(config)) == words
