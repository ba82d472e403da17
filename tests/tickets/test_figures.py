"""What the farm learns from its tickets."""

from dataclasses import replace
from datetime import timedelta
from typing import Any

from farmwatch.tickets import Figures, Ticket, TicketEvent
from tests.tickets.farm import AT

MODELS = {f"heron-{i:02d}": "tideframe-220" for i in range(1, 20)}


def ticket(number: int, days_ago: float, **changes: Any) -> Ticket:
    opened = AT - timedelta(days=days_ago)
    one = Ticket(
        number=number, machine=f"heron-{number:02d}", cause="screws", phase="proposed", opened_at=opened,
        changed_at=opened, priority=2,
    )  # fmt: skip
    return replace(one, **changes)


def repaired(number: int, days_ago: float, hours: float = 1.0, **changes: Any) -> Ticket:
    done = AT - timedelta(days=days_ago)
    given = {"phase": "proven", "work_from": done - timedelta(hours=hours), "work_until": done, "method": "realign"}
    return ticket(number, days_ago + 1, **{**given, **changes})


def event(number: int, action: str, days_ago: float = 1.0) -> TicketEvent:
    return TicketEvent(
        number=number, at=AT - timedelta(days=days_ago), action=action, from_phase="in-work", to_phase="proving", by="x"
    )


def test_durability_says_nothing_of_under_eight_repairs() -> None:
    few = Figures.of([repaired(n, 100 + n) for n in range(1, 8)], [], MODELS, AT)
    assert (few.durability[0].repairs, few.durability[0].median_days) == (7, None)
    assert few.durability[0].still_holding_after_90_days is None


def test_durability_of_eight_repairs_is_the_product_limit_median() -> None:
    repairs = [repaired(n, 200.0) for n in range(1, 9)]
    # Half of them came back after 10, 20, 30 and 40 days.
    back = [ticket(20 + n, 200.0 - 10 * n, machine=f"heron-{n:02d}") for n in range(1, 5)]
    [one] = Figures.of([*repairs, *back], [], MODELS, AT).durability
    assert (one.repairs, one.ended, one.median_days) == (8, 4, 40.0)
    assert one.still_holding_after_90_days == 0.5


def test_first_try_and_being_right_count_the_first_verdict_only() -> None:
    tickets = [ticket(n, 30) for n in range(1, 5)]
    events = [
        event(1, "prove"), event(2, "fail", 3), event(2, "prove", 1),
        event(1, "done", 5), event(2, "done", 5), event(3, "nothing-found", 5), event(4, "done", 100),
    ]  # fmt: skip
    found = Figures.of(tickets, events, MODELS, AT)
    assert found.first_try == (1, 2)
    assert found.looked_at == (2, 3)


def test_hands_and_parts_of_the_open_work() -> None:
    done = [repaired(1, 10, hours=0.5), repaired(2, 10, hours=1.5), repaired(3, 10, hours=60.0)]
    plan = {"shims_mm": {"front-left": 0.1, "front-right": 0.0, "rear": 0.2}}
    waiting = [
        ticket(4, 2, plan=plan, advice=("realign", "shim")), ticket(5, 2, plan=plan, advice=("shim",)),
        ticket(6, 2, plan=plan, advice=("realign",)), ticket(7, 2, cause="host"),
    ]  # fmt: skip
    found = Figures.of([*done, *waiting], [], MODELS, AT)
    assert (found.hours_each, found.hours_timed, found.hours_open) == (1.0, 2, 3.0)
    assert found.shims_open == ((0.1, 2), (0.2, 2))
    assert found.open_tickets == 4


def test_the_document_carries_its_schema_and_no_names() -> None:
    document = Figures.of([], [event(1, "done")], MODELS, AT).document(AT)
    assert document["schema"] == "farmwatch.ticket-figures/1"
    assert "by" not in str(document)
