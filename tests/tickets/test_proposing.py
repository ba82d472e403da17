"""What an assessment means for the book."""

from dataclasses import replace
from datetime import date, timedelta

import pytest

from farmwatch.follow import Forecast
from farmwatch.tickets import Ticket
from farmwatch.tickets.proposing import Rules, TicketChange, changes_due, workday
from tests.tickets.farm import AT, fleet, level, tilted

RULES = Rules()
TODAY = date(2026, 11, 25)  # a Wednesday


def kinds(found: list[TicketChange]) -> list[str]:
    return [one.kind for one in found]


def open_ticket(phase: str = "proposed", **changes: object) -> Ticket:
    [opening] = changes_due(fleet(tilted()), [], RULES, TODAY)
    return replace(opening.ticket, number=3, phase=phase, **changes)  # type: ignore[arg-type]


def test_a_confirmed_cause_that_needs_hands_opens_a_ticket() -> None:
    [one] = changes_due(fleet(tilted(0.8)), [], RULES, TODAY)
    assert (one.kind, one.ticket.cause, one.ticket.priority) == ("open", "screws", 1)
    assert one.ticket.due == date(2026, 11, 26)
    assert one.ticket.predicted_mm == 0.15
    assert one.ticket.plan["teeth"] == {"front-left": 0, "front-right": 1}
    assert not one.approve


@pytest.mark.parametrize(
    "machine",
    [
        level(), tilted(confirmed=False), tilted(cause="unclear", advice=("re-mesh",)), tilted(in_service=False),
        tilted(range_mm=None, condition="unknown", confirmed=False),
    ],
)  # fmt: skip
def test_what_needs_no_hands_opens_none(machine: object) -> None:
    assert changes_due(fleet(machine), [], RULES, TODAY) == []


def test_an_open_ticket_is_not_repeated_and_is_refreshed_only_by_news() -> None:
    assert changes_due(fleet(tilted(0.81)), [open_ticket()], RULES, TODAY) == []
    [one] = changes_due(fleet(tilted(1.2)), [open_ticket()], RULES, TODAY)
    assert (one.kind, one.ticket.number, one.ticket.range_mm) == ("refresh", 3, 1.2)


@pytest.mark.parametrize("phase", ["in-work", "proving"])
def test_a_ticket_that_somebody_works_on_is_left_alone(phase: str) -> None:
    assert changes_due(fleet(tilted(2.0)), [open_ticket(phase)], RULES, TODAY) == []
    assert changes_due(fleet(tilted(2.0, cause="both")), [open_ticket(phase)], RULES, TODAY) == []


def test_another_cause_takes_the_old_tickets_place() -> None:
    found = changes_due(fleet(tilted(0.8, cause="both")), [open_ticket()], RULES, TODAY)
    assert kinds(found) == ["withdraw", "open"]
    assert found[1].ticket.cause == "both"
    assert "ticket 3" in found[1].why


def test_a_machine_that_came_right_by_itself_says_so_once() -> None:
    [one] = changes_due(fleet(level()), [open_ticket("approved")], RULES, TODAY)
    assert one.kind == "refresh"
    assert one.ticket.remark.startswith("It came right by itself: 0.08 mm")
    assert changes_due(fleet(level()), [one.ticket], RULES, TODAY) == []
    [back] = changes_due(fleet(tilted()), [one.ticket], RULES, TODAY)
    assert back.ticket.remark == ""


def test_an_accepted_machine_stays_so_until_its_limit_or_date() -> None:
    accepted = open_ticket("accepted", accepted_limit_mm=0.9, accepted_until=AT + timedelta(days=30))
    assert changes_due(fleet(tilted(0.85)), [accepted], RULES, TODAY) == []
    assert kinds(changes_due(fleet(tilted(0.95)), [accepted], RULES, TODAY)) == ["open"]
    after = fleet(tilted(0.85), at=AT + timedelta(days=31))
    assert kinds(changes_due(after, [accepted], RULES, TODAY)) == ["open"]


def test_as_good_as_teeth_allow_comes_again_only_when_it_rose() -> None:
    """5 hundredths of a millimetre above what it was closed at."""
    closed = open_ticket("proven", closed_range_mm=0.24, closed_at=AT - timedelta(days=90))
    floor = {"at_tooth_floor": True, "advice": ("shim",)}
    assert changes_due(fleet(tilted(0.28, **floor)), [closed], RULES, TODAY) == []
    assert kinds(changes_due(fleet(tilted(0.30, **floor)), [closed], RULES, TODAY)) == ["open"]


def test_a_repair_proven_under_the_limit_settles_nothing_later() -> None:
    closed = open_ticket("proven", closed_range_mm=0.19, closed_at=AT - timedelta(days=90))
    risen = tilted(0.227, at_tooth_floor=True, advice=("shim",))
    assert kinds(changes_due(fleet(risen), [closed], RULES, TODAY)) == ["open"]


@pytest.mark.parametrize("phase", ["nothing-found", "withdrawn"])
def test_after_a_persons_no_it_is_asked_again_only_after_a_rise_or_four_weeks(phase: str) -> None:
    closed = open_ticket(phase, closed_range_mm=0.8, closed_at=AT)
    assert changes_due(fleet(tilted(0.82), at=AT + timedelta(days=3)), [closed], RULES, TODAY) == []
    assert kinds(changes_due(fleet(tilted(0.86), at=AT + timedelta(days=3)), [closed], RULES, TODAY)) == ["open"]
    assert kinds(changes_due(fleet(tilted(0.82), at=AT + timedelta(days=28)), [closed], RULES, TODAY)) == ["open"]


def test_another_plan_is_news_whatever_the_range() -> None:
    """A lead or a pulley put right in the configuration gives other teeth on the same mesh."""
    plan = tilted().plan
    assert plan is not None
    corrected = tilted(plan=replace(plan, teeth={"front-left": 0, "front-right": 8}))
    [one] = changes_due(fleet(corrected), [open_ticket()], RULES, TODAY)
    assert one.ticket.plan["teeth"]["front-right"] == 8


def test_a_host_that_stays_silent_after_the_work_comes_back() -> None:
    [one] = changes_due(fleet(level(silent=True)), [], RULES, TODAY)
    done = replace(one.ticket, number=4, phase="proving", work_until=AT)
    assert changes_due(fleet(level(silent=True), at=AT + timedelta(hours=5)), [done], RULES, TODAY) == []
    assert kinds(changes_due(fleet(level(silent=True), at=AT + timedelta(hours=25)), [done], RULES, TODAY)) == ["fail"]


def test_a_silent_host_has_a_ticket_of_its_own_and_it_ends_by_itself() -> None:
    [one] = changes_due(fleet(level(silent=True)), [], RULES, TODAY)
    assert (one.ticket.cause, one.ticket.advice, one.ticket.range_mm) == ("host", ("check-host",), None)
    open_ticket = replace(one.ticket, number=4)
    assert changes_due(fleet(level(silent=True)), [open_ticket], RULES, TODAY) == []
    assert kinds(changes_due(fleet(level()), [open_ticket], RULES, TODAY)) == ["withdraw"]
    assert changes_due(fleet(level(silent=True, in_service=False)), [], RULES, TODAY) == []


def test_a_host_that_was_worked_on_is_proven_by_its_next_answer() -> None:
    [one] = changes_due(fleet(level(silent=True)), [], RULES, TODAY)
    done = replace(one.ticket, number=4, phase="proving", work_until=AT)
    before = level(silent=True, host_answered_at=AT - timedelta(days=3))
    assert changes_due(fleet(before), [done], RULES, TODAY) == []
    assert kinds(changes_due(fleet(level(host_answered_at=AT + timedelta(hours=1))), [done], RULES, TODAY)) == ["prove"]


def test_a_rule_of_the_farm_approves_screws_up_to_a_range() -> None:
    rule = Rules(approve_up_to_mm=1.0)
    assert changes_due(fleet(tilted(0.8)), [], rule, TODAY)[0].approve
    assert not changes_due(fleet(tilted(1.1)), [], rule, TODAY)[0].approve
    assert not changes_due(fleet(tilted(0.8, cause="both")), [], rule, TODAY)[0].approve


def test_planning_ahead_is_asked_for() -> None:
    ahead = level(advice=("plan-ahead",), forecast=Forecast(chance=0.9, p10=6.0, p50=12.0, p90=20.0))
    assert changes_due(fleet(ahead), [], RULES, TODAY) == []
    [one] = changes_due(fleet(ahead), [], Rules(plan_ahead=True), TODAY)
    assert (one.ticket.priority, one.ticket.due) == (3, date(2026, 12, 7))


def test_due_dates_pass_over_weekends_and_closed_days() -> None:
    friday = date(2026, 11, 27)
    assert workday(friday, 1, RULES) == date(2026, 11, 30)
    assert workday(friday, 1, Rules(closed=frozenset({date(2026, 11, 30)}))) == date(2026, 12, 1)
    assert workday(date(2026, 11, 28), 0, RULES) == date(2026, 11, 30)
