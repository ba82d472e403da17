"""One pass over the book, from a real store."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from farmwatch.config import Settings
from farmwatch.config.settings import Tickets
from farmwatch.follow import Step
from farmwatch.history import Note, OutOfService, Reading
from farmwatch.judge.assessment import Plan
from farmwatch.mesh import Mesh
from farmwatch.store import Move, Store
from farmwatch.tickets import Ticket, TicketChanges, TicketRepository, update_tickets
from farmwatch.tickets.progress import _moved
from tests.farm import bed, reading
from tests.tickets.farm import flat_reading, fleet, later, level, settings_in, tilted


@pytest.fixture
def settings(tmp_path: Path) -> Settings:
    return settings_in(tmp_path)


def worked_on(book: TicketRepository) -> Ticket:
    """Approve, take and finish ticket 1 between hours 1 and 3."""
    book.act(1, "approve", at=later(1), by="manager")
    book.act(1, "take", at=later(2), by="technician", change=lambda t: replace(t, work_from=later(2)))
    return book.act(
        1, "done", at=later(3), by="technician", change=lambda t: replace(t, work_until=later(3), method="realign")
    )


def test_the_same_assessment_again_changes_nothing(settings: Settings, store: Store) -> None:
    assert len(update_tickets(settings, store, fleet(tilted())).opened) == 1
    again = update_tickets(settings, store, fleet(tilted(), at=later(1)))
    assert (again.opened, again.refreshed, again.withdrawn) == ((), (), ())
    assert len(TicketRepository(store).events()) == 1


def test_a_repair_that_held_is_proven_by_later_readings(settings: Settings, store: Store) -> None:
    book = TicketRepository(store)
    update_tickets(settings, store, fleet(tilted()))
    worked_on(book)
    store.add_readings([flat_reading(2.5, 0.9), flat_reading(4, 0.1)])
    assert update_tickets(settings, store, fleet(level(0.1), at=later(4))).proven == ()
    store.add_readings([flat_reading(6, 0.12)])
    [proven] = update_tickets(settings, store, fleet(level(0.12), at=later(6))).proven
    assert (proven.phase, proven.closed_range_mm, proven.closed_at) == ("proven", 0.12, later(6))
    assert update_tickets(settings, store, fleet(level(0.12), at=later(7))) == TicketChanges()


def test_a_repair_that_did_not_hold_comes_back_with_a_new_plan(settings: Settings, store: Store) -> None:
    book = TicketRepository(store)
    update_tickets(settings, store, fleet(tilted(0.8)))
    worked_on(book)
    store.add_readings([flat_reading(5, 0.5)])
    [back] = update_tickets(settings, store, fleet(tilted(0.5), at=later(5))).came_back
    assert back.phase == "came-back"
    assert back.range_mm == 0.5
    assert back.plan["teeth"] == {"front-left": 0, "front-right": 1}
    assert "Still 0.50 mm; the target was 0.20." in back.remark
    assert book.act(1, "take", at=later(6), by="technician").phase == "in-work"


def test_what_changed_since_the_work_is_not_the_work_itself(settings: Settings, store: Store) -> None:
    update_tickets(settings, store, fleet(tilted(0.8)))
    worked_on(TicketRepository(store))
    store.add_readings([flat_reading(5, 0.5)])
    repair = Step(at=later(5), name="repair", screw="front-left", mm=0.3, teeth=None)
    [back] = update_tickets(settings, store, fleet(tilted(0.5, steps=(repair,)), at=later(5))).came_back
    assert back.remark == "Still 0.50 mm; the target was 0.20. What the work moved, no mesh from before it tells."
    TicketRepository(store).act(1, "take", at=later(6), by="technician", change=lambda t: replace(t, work_until=None))
    TicketRepository(store).act(
        1, "done", at=later(7), by="technician", change=lambda t: replace(t, work_until=later(7))
    )
    store.add_readings([flat_reading(8, 0.5)])
    jump = replace(repair, at=later(8), name="tooth-jump", mm=-0.4, teeth=-1)
    [again] = update_tickets(settings, store, fleet(tilted(0.5, steps=(repair, jump)), at=later(8))).came_back
    assert again.remark.endswith("Since the work: tooth jump at front-left, -0.40 mm.")


def foretelling(range_mm: float) -> Plan:
    plan = tilted().plan
    assert plan is not None
    return replace(plan, range_after_mm=range_mm)


def guided(store: Store, ends_at_mm: float, celsius: float = 60.0) -> None:
    """A realignment was recorded in the work of ticket 1: one move, and the mesh after it."""
    store.add_readings([flat_reading(2.8, ends_at_mm, celsius)])
    store.add_moves(
        [
            Move(
                machine="heron-01", ticket=1, at=later(2.5), screw="front-right", teeth=-2, mm=-0.8,
                before_at=later(-1), after_at=later(2.8), moved_mm=-0.79, moved_sd_mm=0.01, range_before_mm=0.8,
                range_after_mm=ends_at_mm,
            )
        ]
    )  # fmt: skip


def test_a_repair_is_measured_from_the_last_mesh_of_the_guided_work(settings: Settings, store: Store) -> None:
    """The plan before the first move foretold 0.34 mm; the work itself ended at 0.03 mm."""
    update_tickets(settings, store, fleet(tilted(0.8, plan=foretelling(0.34))))
    worked_on(TicketRepository(store))
    guided(store, ends_at_mm=0.03)
    store.add_readings([flat_reading(5, 0.3)])
    [back] = update_tickets(settings, store, fleet(tilted(0.3), at=later(5))).came_back
    assert back.remark == (
        "0.30 mm; the target was 0.20. It stood at 0.03 mm when the work ended; front left has fallen "
        "0.12 mm and front right has risen 0.12 mm since."
    )


def test_work_that_ended_over_the_bound_is_called_what_it_is(settings: Settings, store: Store) -> None:
    update_tickets(settings, store, fleet(tilted(0.8)))
    worked_on(TicketRepository(store))
    guided(store, ends_at_mm=0.5)
    store.add_readings([flat_reading(5, 0.5)])
    [back] = update_tickets(settings, store, fleet(tilted(0.5), at=later(5))).came_back
    assert back.remark.endswith("It stood at 0.50 mm when the work ended: the work did not bring what was planned.")


def test_guided_work_left_half_way_proves_no_more_than_its_plan(settings: Settings, store: Store) -> None:
    update_tickets(settings, store, fleet(tilted(0.8)))
    worked_on(TicketRepository(store))
    guided(store, ends_at_mm=0.6)
    store.add_readings([flat_reading(5, 0.55)])
    assert (
        "the target was 0.20" in update_tickets(settings, store, fleet(tilted(0.55), at=later(5))).came_back[0].remark
    )


def test_a_cold_last_mesh_of_the_work_is_no_measure_of_hot_probings(settings: Settings, store: Store) -> None:
    update_tickets(settings, store, fleet(tilted(0.8, plan=foretelling(0.34))))
    worked_on(TicketRepository(store))
    guided(store, ends_at_mm=0.03, celsius=25.0)
    store.add_readings([flat_reading(5, 0.3), flat_reading(7, 0.3)])
    assert len(update_tickets(settings, store, fleet(tilted(0.3), at=later(7))).proven) == 1


def test_of_two_probings_the_first_tells_how_it_stood(settings: Settings, store: Store) -> None:
    update_tickets(settings, store, fleet(tilted(0.8)))
    worked_on(TicketRepository(store))
    store.add_readings([flat_reading(4, 0.1), flat_reading(6, 0.5)])
    [back] = update_tickets(settings, store, fleet(tilted(0.5), at=later(6))).came_back
    assert "It stood at 0.10 mm at the probing before; front left has fallen" in back.remark


def test_a_reference_that_moved_is_known_by_all_the_others(settings: Settings) -> None:
    flat, x = np.zeros((7, 7)), np.linspace(10, 210, 7)
    # Both movable screws, at y 10, stand 0.5 mm over the reference at y 215.
    tilt = np.tile((0.5 * (215 - x) / 205)[:, None], (1, 7))
    model = settings.models["tideframe-220"]
    [(screw, mm)] = _moved(model, Mesh.accept(x, x, flat), Mesh.accept(x, x, tilt))
    assert (screw, round(mm, 2)) == ("rear", -0.5)


def test_as_good_as_teeth_allow_closes_as_proven_with_shims_to_follow(settings: Settings, store: Store) -> None:
    floor = tilted(0.26, at_tooth_floor=True, advice=("shim",), plan=None)
    update_tickets(settings, store, fleet(tilted(0.8, plan=replace(tilted().plan, range_after_mm=0.25))))
    worked_on(TicketRepository(store))
    store.add_readings([flat_reading(5, 0.26), flat_reading(7, 0.26)])
    passed = update_tickets(settings, store, fleet(floor, at=later(7)))
    assert passed.proven[0].remark.startswith("As good as teeth allow")
    assert update_tickets(settings, store, fleet(floor, at=later(8))).opened == ()


def test_an_approval_by_rule_is_an_event_of_its_own(settings: Settings, store: Store) -> None:
    ruled = settings.model_copy(update={"tickets": Tickets(approve_up_to_mm=1.0)})
    [opened] = update_tickets(ruled, store, fleet(tilted(0.8))).opened
    assert opened.phase == "approved"
    assert [event.action for event in TicketRepository(store).events(1)] == ["propose", "approve"]


def test_another_cause_leaves_one_open_ticket(settings: Settings, store: Store) -> None:
    update_tickets(settings, store, fleet(tilted()))
    passed = update_tickets(settings, store, fleet(tilted(cause="both"), at=later(1)))
    assert [t.number for t in passed.withdrawn] == [1]
    assert [t.number for t in passed.opened] == [2]
    assert [t.number for t in TicketRepository(store).tickets() if t.is_open] == [2]


def test_a_pass_that_was_overtaken_opens_nothing_twice(
    settings: Settings, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Another pass runs between the reading of the book and the writing."""
    read = TicketRepository.tickets

    def overtaken(book: TicketRepository, names: object = None) -> list[Ticket]:
        found = read(book)
        monkeypatch.setattr(TicketRepository, "tickets", read)
        update_tickets(settings, store, fleet(tilted()))
        return found

    monkeypatch.setattr(TicketRepository, "tickets", overtaken)
    assert update_tickets(settings, store, fleet(tilted())).opened == ()
    assert len(TicketRepository(store).tickets()) == 1


def test_readings_taken_out_of_service_prove_nothing(settings: Settings, store: Store) -> None:
    update_tickets(settings, store, fleet(tilted()))
    worked_on(TicketRepository(store))
    store.take_out(OutOfService(machine="heron-01", since=later(3.5), reason="belt off"))
    store.add_readings([flat_reading(4, 0.02), flat_reading(6, 0.02)])
    assert update_tickets(settings, store, fleet(level(0.02, in_service=False), at=later(7))).proven == ()


def test_another_machine_in_its_place_ends_the_ticket(settings: Settings, store: Store) -> None:
    update_tickets(settings, store, fleet(tilted()))
    worked_on(TicketRepository(store))
    store.add_note(Note(machine="heron-01", at=later(3.5), what="replaced"))
    store.add_readings([flat_reading(4, 0.02), flat_reading(6, 0.02)])
    passed = update_tickets(settings, store, fleet(level(0.02), at=later(7)))
    assert passed.proven == ()
    assert passed.withdrawn[0].remark == "Another machine stands there now."


def test_a_clock_set_back_does_not_turn_the_order_of_events(settings: Settings, store: Store) -> None:
    update_tickets(settings, store, fleet(tilted()))
    book = TicketRepository(store)
    book.act(1, "approve", at=later(5), by="manager")
    book.act(1, "take", at=later(2), by="technician")
    book.act(1, "done", at=later(1), by="technician")
    assert [event.action for event in book.events(1)] == ["propose", "approve", "take", "done"]
    store.add_readings([flat_reading(9, 0.1)])
    assert store.histories()["heron-01"].during_work.tolist() == [False]


def lowered_to(hours: float, mm: float) -> Reading:
    """A reading of heron-01 whose front left screw stands `mm` low; the rest is level."""
    low = bed({"front-left": -mm}, noise_mm=0.003, seed=int(hours * 10) + 50)
    return reading(low, days=0.0, taken_at=later(hours), seen_at=later(hours))


@pytest.mark.parametrize(
    ("before", "after", "said"),
    [
        (0.8, 0.4, "Still 0.65 mm; the target was 0.20. Front left came up one tooth; two were planned."),
        (0.8, 0.8, "The work moved no screw; planned: front left up two teeth."),
        (0.8, 1.2, "Front left went down one tooth; two up were planned."),
        (0.8, 0.5, "Front left came up 0.30 mm; two teeth up were planned."),
    ],
)
def test_what_came_back_says_what_the_work_moved_beside_what_was_planned(
    settings: Settings, store: Store, before: float, after: float, said: str
) -> None:
    plan = foretelling(0.02)
    wanted = tilted(0.8, plan=replace(plan, teeth={"front-left": 2, "front-right": 0}))
    update_tickets(settings, store, fleet(wanted))
    worked_on(TicketRepository(store))
    store.add_readings([lowered_to(-2, before), lowered_to(5, after)])
    [back] = update_tickets(settings, store, fleet(tilted(0.4), at=later(5))).came_back
    assert said in back.remark
    assert "No move shows" not in back.remark
