"""The book as it stood at an earlier time is the book that was read then."""

from dataclasses import replace
from datetime import timedelta
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from farmwatch.store import Store
from farmwatch.tickets import Ticket, TicketEvent, TicketRepository, as_of
from farmwatch.tickets.phases import follows, possible
from tests.tickets.farm import AT, later

OPENED = Ticket(
    number=1, machine="heron-01", cause="screws", phase="proposed", opened_at=AT, changed_at=AT, priority=2
)  # fmt: skip


def written(ticket: Ticket, action: str, hours: float) -> Ticket:
    """What a command writes beside the phase."""
    at = later(hours)
    if action == "take":
        return replace(ticket, work_from=at, work_until=None)
    if action == "put-back":
        return replace(ticket, work_from=None)
    if action == "done":
        return replace(ticket, work_until=at, method="realign")
    if action == "nothing-found":
        return replace(ticket, work_until=at, closed_at=at)
    if action == "accept":
        return replace(ticket, closed_at=at, closed_range_mm=0.28, accepted_limit_mm=0.3)
    if action == "reopen":
        return replace(ticket, closed_at=None, closed_range_mm=None, accepted_limit_mm=None)
    return replace(ticket, closed_at=at) if action in ("prove", "withdraw") else ticket


def walked(choices: list[int]) -> tuple[list[Ticket], list[TicketEvent]]:
    """A ticket after each of its events, an hour apart, and the events; refreshes and verdicts are taken too."""
    states = [OPENED]
    events = [
        TicketEvent(number=1, at=AT, action="propose", from_phase=None, to_phase="proposed", by="farmwatch"),
    ]
    for hours, choice in enumerate(choices, 1):
        now = states[-1]
        program = {"proving": ("prove", "fail"), "proposed": ("refresh",), "approved": ("refresh",)}
        actions = (*possible(now.phase), *program.get(now.phase, ()))
        if not actions:
            break
        action = actions[choice % len(actions)]
        to = follows(1, now.phase, action)
        after = replace(written(now, action, hours), phase=to, revision=now.revision + 1, changed_at=later(hours))
        states.append(after)
        events.append(
            TicketEvent(number=1, at=later(hours), action=action, from_phase=now.phase, to_phase=to, by="bench")
        )
    return states, events


TOLD_BY_EVENTS = (
    "number", "machine", "cause", "phase", "revision", "opened_at", "changed_at", "work_from", "work_until",
    "closed_at", "closed_range_mm", "accepted_limit_mm", "accepted_until",
)  # fmt: skip


@settings(max_examples=100, deadline=None)
@given(st.lists(st.integers(0, 11), max_size=14))
def test_every_state_on_the_way_is_told_again_from_the_last(choices: list[int]) -> None:
    states, events = walked(choices)
    for hours, then in enumerate(states):
        (found,) = as_of([states[-1]], events, later(hours + 0.5))
        # On what terms it was closed is not kept of one that was opened again.
        again = any(event.action == "reopen" and event.at > later(hours + 0.5) for event in events)
        told = TOLD_BY_EVENTS[:-3] if again else TOLD_BY_EVENTS
        assert [getattr(found, name) for name in told] == [getattr(then, name) for name in told]
        if not then.is_open and not again:
            assert found.method == then.method


def test_what_was_not_opened_yet_was_not_there() -> None:
    _, events = walked([0])
    assert as_of([OPENED], events, AT - timedelta(seconds=1)) == []


def test_numbers_of_later_are_not_told_of_an_earlier_time() -> None:
    now = replace(
        OPENED, range_mm=0.9, predicted_mm=0.1, plan={"teeth": {"rear": 1}}, advice=("realign",), remark="Later."
    )
    (then,) = as_of([now], walked([])[1], AT)
    assert (then.range_mm, then.predicted_mm, then.plan, then.advice, then.remark) == (None, None, {}, (), "")


def test_a_real_book_read_at_each_step_is_told_again_at_the_end(tmp_path: Path) -> None:
    book = TicketRepository(Store(tmp_path / "farm.duckdb"))
    book.together(lambda writing: writing.open(OPENED, by="farmwatch", why="") and None)
    read = [book.ticket(1)]
    steps = ("approve", "take", "put-back", "take", "done", "fail", "take", "done", "prove")
    for hours, action in enumerate(steps, 1):
        book.act(
            1, action, at=later(hours), by="bench", change=lambda t, a=action, h=hours: written(t, a, h)
        )  # fmt: skip
        read.append(book.ticket(1))
    tickets, events = book.tickets(), book.events()
    for hours, then in enumerate(read):
        (found,) = as_of(tickets, events, later(hours))
        # On what terms it was closed is not kept of one that was opened again.
        again = any(event.action == "reopen" and event.at > later(hours + 0.5) for event in events)
        told = TOLD_BY_EVENTS[:-3] if again else TOLD_BY_EVENTS
        assert [getattr(found, name) for name in told] == [getattr(then, name) for name in told]
