"""One pass over the book, from a real store."""

from dataclasses import replace
from pathlib import Path

import pytest

from farmwatch.config import Settings, Tickets
from farmwatch.follow.findings import Step
from farmwatch.history import Note, OutOfService
from farmwatch.store import Store
from farmwatch.tickets import Book, BookStep, Ticket, step_book
from tests.tickets.farm import flat_reading, fleet, later, level, settings_in, tilted


@pytest.fixture
def settings(tmp_path: Path) -> Settings:
    return settings_in(tmp_path)


def worked_on(book: Book) -> Ticket:
    """Approve, take and finish ticket 1 between hours 1 and 3."""
    book.act(1, "approve", at=later(1), by="manager")
    book.act(1, "take", at=later(2), by="technician", change=lambda t: replace(t, work_from=later(2)))
    return book.act(
        1, "done", at=later(3), by="technician", change=lambda t: replace(t, work_until=later(3), method="realign")
    )


def test_the_same_assessment_again_changes_nothing(settings: Settings, store: Store) -> None:
    assert len(step_book(settings, store, fleet(tilted())).opened) == 1
    again = step_book(settings, store, fleet(tilted(), at=later(1)))
    assert (again.opened, again.refreshed, again.withdrawn) == ((), (), ())
    assert len(Book(store).events()) == 1


def test_a_repair_that_held_is_proven_by_later_readings(settings: Settings, store: Store) -> None:
    book = Book(store)
    step_book(settings, store, fleet(tilted()))
    worked_on(book)
    store.add_readings([flat_reading(2.5, 0.9), flat_reading(4, 0.1)])
    assert step_book(settings, store, fleet(level(0.1), at=later(4))).proven == ()
    store.add_readings([flat_reading(6, 0.12)])
    [proven] = step_book(settings, store, fleet(level(0.12), at=later(6))).proven
    assert (proven.phase, proven.closed_range_mm, proven.closed_at) == ("proven", 0.12, later(6))
    assert step_book(settings, store, fleet(level(0.12), at=later(7))) == BookStep()


def test_a_repair_that_did_not_hold_comes_back_with_a_new_plan(settings: Settings, store: Store) -> None:
    book = Book(store)
    step_book(settings, store, fleet(tilted(0.8)))
    worked_on(book)
    store.add_readings([flat_reading(5, 0.5)])
    [back] = step_book(settings, store, fleet(tilted(0.5), at=later(5))).came_back
    assert back.phase == "came-back"
    assert back.range_mm == 0.5
    assert back.plan["teeth"] == {"front-left": 0, "front-right": 1}
    assert "0.50 mm where at most 0.20 mm was to be" in back.remark
    assert book.act(1, "take", at=later(6), by="technician").phase == "in-work"


def test_what_changed_since_the_work_is_not_the_work_itself(settings: Settings, store: Store) -> None:
    step_book(settings, store, fleet(tilted(0.8)))
    worked_on(Book(store))
    store.add_readings([flat_reading(5, 0.5)])
    repair = Step(at=later(5), name="repair", screw="front-left", mm=0.3, teeth=None)
    [back] = step_book(settings, store, fleet(tilted(0.5, steps=(repair,)), at=later(5))).came_back
    assert back.remark.endswith("Nothing moved since the work: the work did not bring what was planned.")
    Book(store).act(1, "take", at=later(6), by="technician", change=lambda t: replace(t, work_until=None))
    Book(store).act(1, "done", at=later(7), by="technician", change=lambda t: replace(t, work_until=later(7)))
    store.add_readings([flat_reading(8, 0.5)])
    jump = replace(repair, at=later(8), name="tooth-jump", mm=-0.4, teeth=-1)
    [again] = step_book(settings, store, fleet(tilted(0.5, steps=(repair, jump)), at=later(8))).came_back
    assert again.remark.endswith("Since the work: tooth jump at front-left, -0.40 mm.")


def test_as_good_as_teeth_allow_closes_as_proven_with_shims_to_follow(settings: Settings, store: Store) -> None:
    floor = tilted(0.26, at_tooth_floor=True, advice=("shim",), plan=None)
    step_book(settings, store, fleet(tilted(0.8, plan=replace(tilted().plan, range_after_mm=0.25))))
    worked_on(Book(store))
    store.add_readings([flat_reading(5, 0.26), flat_reading(7, 0.26)])
    passed = step_book(settings, store, fleet(floor, at=later(7)))
    assert passed.proven[0].remark.startswith("As good as teeth allow")
    assert step_book(settings, store, fleet(floor, at=later(8))).opened == ()


def test_an_approval_by_rule_is_an_event_of_its_own(settings: Settings, store: Store) -> None:
    ruled = settings.model_copy(update={"tickets": Tickets(approve_up_to_mm=1.0)})
    [opened] = step_book(ruled, store, fleet(tilted(0.8))).opened
    assert opened.phase == "approved"
    assert [event.action for event in Book(store).events(1)] == ["propose", "approve"]


def test_another_cause_leaves_one_open_ticket(settings: Settings, store: Store) -> None:
    step_book(settings, store, fleet(tilted()))
    passed = step_book(settings, store, fleet(tilted(cause="both"), at=later(1)))
    assert [t.number for t in passed.withdrawn] == [1]
    assert [t.number for t in passed.opened] == [2]
    assert [t.number for t in Book(store).tickets() if t.is_open] == [2]


def test_a_pass_that_was_overtaken_opens_nothing_twice(
    settings: Settings, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Another pass runs between the reading of the book and the writing."""
    read = Book.tickets

    def overtaken(book: Book, names: object = None) -> list[Ticket]:
        found = read(book)
        monkeypatch.setattr(Book, "tickets", read)
        step_book(settings, store, fleet(tilted()))
        return found

    monkeypatch.setattr(Book, "tickets", overtaken)
    assert step_book(settings, store, fleet(tilted())).opened == ()
    assert len(Book(store).tickets()) == 1


def test_readings_taken_out_of_service_prove_nothing(settings: Settings, store: Store) -> None:
    step_book(settings, store, fleet(tilted()))
    worked_on(Book(store))
    store.take_out(OutOfService(machine="heron-01", since=later(3.5), reason="belt off"))
    store.add_readings([flat_reading(4, 0.02), flat_reading(6, 0.02)])
    assert step_book(settings, store, fleet(level(0.02, in_service=False), at=later(7))).proven == ()


def test_another_machine_in_its_place_ends_the_ticket(settings: Settings, store: Store) -> None:
    step_book(settings, store, fleet(tilted()))
    worked_on(Book(store))
    store.add_note(Note(machine="heron-01", at=later(3.5), what="replaced"))
    store.add_readings([flat_reading(4, 0.02), flat_reading(6, 0.02)])
    passed = step_book(settings, store, fleet(level(0.02), at=later(7)))
    assert passed.proven == ()
    assert passed.withdrawn[0].remark == "Another machine stands there now."


def test_a_clock_set_back_does_not_turn_the_order_of_events(settings: Settings, store: Store) -> None:
    step_book(settings, store, fleet(tilted()))
    book = Book(store)
    book.act(1, "approve", at=later(5), by="manager")
    book.act(1, "take", at=later(2), by="technician")
    book.act(1, "done", at=later(1), by="technician")
    assert [event.action for event in book.events(1)] == ["propose", "approve", "take", "done"]
    store.add_readings([flat_reading(9, 0.1)])
    assert store.histories()["heron-01"].during_work.tolist() == [False]
