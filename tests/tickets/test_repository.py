"""The book in a real database: one transaction a change, every change with its event, one winner."""

import threading
from dataclasses import replace
from datetime import date

import pytest

from farmwatch.errors import InputError
from farmwatch.store import Store
from farmwatch.tickets import Ticket, TicketRepository
from farmwatch.tickets.repository import TicketTransaction
from tests.tickets.farm import AT, later

DRAFT = Ticket(
    number=0, machine="heron-01", cause="screws", phase="proposed", advice=("realign", "shim"), opened_at=AT,
    changed_at=AT, priority=1, due=date(2026, 11, 26), range_mm=0.8, predicted_mm=0.15,
    plan={"teeth": {"front-right": 1}}, bed_celsius=60.0,
)  # fmt: skip


@pytest.fixture
def book(store: Store) -> TicketRepository:
    found = TicketRepository(store)
    found.together(lambda writing: _open(writing))
    return found


def _open(writing: TicketTransaction) -> None:
    writing.open(DRAFT, by="farmwatch", why="Confirmed.")


def test_a_ticket_comes_back_as_it_went_in(book: TicketRepository) -> None:
    assert book.ticket(1) == replace(DRAFT, number=1)
    assert book.tickets(["heron-01"]) == [book.ticket(1)]
    assert book.tickets(["plover-01"]) == []


def test_every_transition_is_recorded_with_who_and_why(book: TicketRepository) -> None:
    book.act(1, "approve", at=later(1), by="manager", why="This week.")
    book.act(1, "take", at=later(2), by="technician", change=lambda t: replace(t, work_from=later(2)))
    assert [(e.action, e.from_phase, e.to_phase, e.by, e.why) for e in book.events(1)] == [
        ("propose", None, "proposed", "farmwatch", "Confirmed."),
        ("approve", "proposed", "approved", "manager", "This week."),
        ("take", "approved", "in-work", "technician", ""),
    ]
    assert book.ticket(1).work_from == later(2)
    assert book.ticket(1).revision == 3


def test_an_impossible_action_leaves_the_ticket_as_it_was(book: TicketRepository) -> None:
    before = book.ticket(1)
    with pytest.raises(InputError, match="ticket 1 is proposed: done cannot follow"):
        book.act(1, "done", at=later(1), by="technician")
    assert book.ticket(1) == before
    assert len(book.events(1)) == 1


def test_a_change_that_refuses_leaves_the_ticket_as_it_was(book: TicketRepository) -> None:
    def refuse(ticket: Ticket) -> Ticket:
        raise InputError("no")

    with pytest.raises(InputError, match="no"):
        book.act(1, "approve", at=later(1), by="manager", change=refuse)
    assert book.ticket(1).phase == "proposed"


def test_of_two_at_once_one_wins_and_the_other_is_told(book: TicketRepository) -> None:
    book.act(1, "approve", at=later(1), by="manager")
    told: list[str] = []
    won: list[str] = []
    start = threading.Barrier(2)

    def take(who: str) -> None:
        start.wait()
        try:
            book.act(1, "take", at=later(2), by=who)
            won.append(who)
        except InputError as refusal:
            told.append(str(refusal))

    people = [threading.Thread(target=take, args=(who,)) for who in ("first", "second")]
    for person in people:
        person.start()
    for person in people:
        person.join(timeout=30)
    assert len(won) == 1
    assert len(told) == 1
    assert f"take by {won[0]}" in told[0]
    assert len(book.events(1)) == 3


def test_an_unknown_ticket_is_said(book: TicketRepository) -> None:
    with pytest.raises(InputError, match="there is no ticket 9"):
        book.ticket(9)
    with pytest.raises(InputError, match="there is no ticket 9"):
        book.act(9, "approve", at=AT, by="manager")


def test_readings_between_take_and_done_count_as_taken_during_work(book: TicketRepository, store: Store) -> None:
    from farmwatch.history import Reading
    from farmwatch.mesh import Mesh

    def reading(hours: float) -> Reading:
        mesh = Mesh.accept([0, 1, 2], [0, 1, 2], [[0, 0, hours], [0, 0, 0], [0, 0, 0.1]])
        return Reading(machine="heron-01", taken_at=later(hours), seen_at=later(hours), time_from="host", mesh=mesh)

    store.add_readings([reading(hours) for hours in (1.0, 3.0, 5.0, 9.0)])
    book.act(1, "approve", at=later(1.5), by="manager")
    book.act(1, "take", at=later(2), by="technician")
    assert store.histories()["heron-01"].during_work.tolist() == [False, True, True, True]
    book.act(1, "done", at=later(6), by="technician")
    history = store.histories()["heron-01"]
    assert history.during_work.tolist() == [False, True, True, False]
    assert [(w.start, w.end) for w in history.works] == [(later(2), later(6))]
    assert store.histories(until=later(1.7))["heron-01"].works == ()
