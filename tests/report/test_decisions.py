"""What the manager decides: a machine and a question each, what it buys and whom it waits for; chores stand apart."""

from dataclasses import replace
from datetime import date, timedelta
from types import ModuleType

import pytest

from farmwatch.judge.tables import ADVICE
from farmwatch.report.decisions import Decision, find_decisions
from farmwatch.report.groups import sort_machines
from farmwatch.report.labour import find_labour
from farmwatch.report.view import WeeklyView
from farmwatch.tickets import Ticket

TODAY = date(2026, 11, 23)


def asked(invented: ModuleType, machines, tickets=(), settled=()) -> tuple[Decision, ...]:
    fleet = replace(invented.invented_fleet(), machines=tuple(machines))
    groups = sort_machines(fleet, tickets)
    labour = find_labour(groups.needing, groups.floor, tickets, fleet.at)
    return find_decisions(groups, labour, settled, TODAY)


def ticket(machine: str, phase: str, number: int = 5, **facts) -> Ticket:
    opened = facts.pop("opened_at", None)
    return Ticket(number=number, machine=machine, cause="screws", phase=phase, opened_at=opened, changed_at=opened,
                  priority=2, **facts)  # fmt: skip


@pytest.mark.parametrize(
    ("machine", "question", "number", "late", "waits_for"),
    [
        ("heron-06", "Failed its check: find out why, approve again?", 3, 0, "manager"),
        ("plover-05", "Overdue: turn the screws this week?", 2, 6, "bench"),
        ("plover-03", "Approve: inspect belt and pulleys?", 9, 0, "manager"),
        ("heron-01", "Approve: turn the screws?", 4, 0, "manager"),
        ("heron-09", "Shim it, or accept it as it is?", 7, 0, "manager"),
        ("plover-01", "Sound again: close its ticket?", 12, 0, "manager"),
    ],
)
def test_each_kind_has_its_question(
    with_tickets: WeeklyView, machine: str, question: str, number: int, late: int, waits_for: str
):
    (one,) = [d for d in with_tickets.decisions if d.machine == machine]
    assert (one.question, one.ticket, one.overdue_days, one.waits_for) == (question, number, late, waits_for)


def test_nobody_is_asked_for_twice_and_chores_are_no_decisions(with_tickets: WeeklyView):
    everyone = [decision.machine for decision in with_tickets.decisions]
    assert len(everyone) == len(set(everyone)) == 6
    # In work, accepted, held, out of service, awaiting its check, to be probed again, a silent host.
    elsewhere = {"avocet-02", "plover-07", "heron-02", "avocet-05", "plover-04", "avocet-08", "plover-10"}
    assert not elsewhere & set(everyone)
    lines = {row.label: row.words for row in with_tickets.highlights}
    assert lines["Not checked: probe hot"] == "plover-04"
    assert lines["Probe again hot"] == "avocet-08"
    assert lines["Fix the host"] == "plover-10 and avocet-10"
    assert lines["With the bench"].startswith("avocet-02 (")


def test_failed_checks_come_first_then_the_longest_overdue_then_the_largest_range(with_tickets: WeeklyView):
    assert [d.machine for d in with_tickets.decisions] == [
        "heron-06", "plover-05", "plover-03", "heron-01", "heron-09", "plover-01"
    ]  # fmt: skip


def test_without_tickets_the_questions_are_of_the_beds(view: WeeklyView):
    questions = {d.machine: d.question for d in view.decisions}
    assert questions["heron-01"] == "Turn the screws?"
    assert questions["avocet-02"] == "Turn the plate 180°?"
    assert not any(d.ticket or d.overdue_days for d in view.decisions)
    assert (view.follow_ups, view.figures) == (None, ())


@pytest.mark.parametrize(
    ("phase", "due", "question"),
    [
        ("approved", TODAY, None),
        ("approved", TODAY - timedelta(days=1), "Overdue: turn the screws this week?"),
        ("in-work", TODAY - timedelta(days=1), "Overdue: turn the screws this week?"),
        ("in-work", TODAY, None),
        ("proving", TODAY - timedelta(days=1), None),
        ("proposed", TODAY - timedelta(days=1), "Approve: turn the screws?"),
    ],
)
def test_overdue_is_what_was_approved_and_is_not_done(invented: ModuleType, phase, due, question):
    machine = invented.machine("heron-01", invented.bed((0.4, 0.0)))
    found = asked(invented, [machine], [ticket("heron-01", phase, due=due)])
    assert [d.question for d in found] == ([] if question is None else [question])


def test_what_it_buys_is_what_the_plan_leaves(invented: ModuleType):
    machine = invented.machine("heron-01", invented.bed((0.18, -0.42), 0.03))
    (one,) = asked(invented, [replace(machine, advice=("realign",))])
    assert (one.range_mm, one.after_mm) == (machine.range_mm, machine.plan.range_after_mm)
    (both,) = asked(invented, [replace(machine, advice=("realign", "shim"))])
    assert both.after_mm == machine.plan.range_after_shims_mm
    assert "shim" in both.parts


def test_what_a_closed_ticket_has_answered_is_not_asked(invented: ModuleType):
    machine = invented.machine("heron-01", invented.bed((0.4, 0.0)))
    assert asked(invented, [machine])
    assert asked(invented, [machine], settled={"heron-01"}) == ()


def test_a_plan_ahead_is_approved_as_such(invented: ModuleType):
    soon = replace(invented.machine("heron-01", invented.bed((0.1, 0.0))), condition="usable", advice=("plan-ahead",))
    (one,) = asked(invented, [soon], [ticket("heron-01", "proposed")])
    assert one.question == "Approve bench time before the limit?"


def test_hours_are_the_farm_s_own_where_three_jobs_were_timed(invented: ModuleType):
    machines = [invented.machine(f"heron-{i:02d}", invented.bed((0.4, 0.0))) for i in range(2)]
    at = invented.WEEK_END

    def timed(number: int, hours: float, method: str) -> Ticket:
        start = at - timedelta(days=number)
        return ticket(f"plover-{number:02d}", "proven", number=number, work_from=start,
                      work_until=start + timedelta(hours=hours), method=method)  # fmt: skip

    practice = find_labour(machines, (), [timed(1, 3.0, "realign"), timed(2, 3.0, "realign")], at)
    assert (practice.hours, practice.rows[0].timed) == (2 * ADVICE["realign"].bench_hours, False)
    own = find_labour(machines, (), [timed(i, i / 2, "realign") for i in (1, 2, 3)], at)
    assert (own.hours, own.rows[0].timed) == (2 * 1.0, True)
    # Of other kinds only: the median of all is nearer than what is common elsewhere.
    other = find_labour(machines, (), [timed(i, 2.0, "plate") for i in (1, 2, 3)], at)
    assert other.each == {"heron-00": 2.0, "heron-01": 2.0}
    over_a_weekend = [timed(i, 60.0, "realign") for i in (1, 2, 3)]
    assert find_labour(machines, (), over_a_weekend, at).hours == practice.hours


def test_the_labour_s_jobs_are_the_machines_that_need_work(with_tickets: WeeklyView):
    jobs = sum(row.jobs for row in with_tickets.labour.rows)
    again = sum(sheet.of.advice == ("re-mesh",) for sheet in with_tickets.sheets)
    assert jobs + again == with_tickets.needing_work
    assert with_tickets.labour.hours == pytest.approx(sum(row.hours for row in with_tickets.labour.rows))
