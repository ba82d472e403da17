"""A guided realignment as it happens: a simulated host, a real store, a technician who follows the words."""

from __future__ import annotations

import threading
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from farmwatch.assess import assess
from farmwatch.collect import HostMesh, PollAttempt
from farmwatch.config import Farm, Machine, Mapping, Settings
from farmwatch.errors import InputError
from farmwatch.judge.learned import StepBelief
from farmwatch.mesh import Mesh
from farmwatch.model import Limits, Model
from farmwatch.realign import BedState, Bench, Findings, NextMove, Seen, Session, Turn
from farmwatch.store import Move, Store
from farmwatch.tickets import Ticket, TicketRepository, update_tickets
from tests.realign.technician import AT, AXIS, misaligned, model_of, words_of
from tests.realign.technician import Bench as Truth


class Clock:
    def __init__(self) -> None:
        self.now = AT

    def __call__(self) -> datetime:
        return self.now

    def pass_minutes(self, minutes: float) -> None:
        self.now += timedelta(minutes=minutes)


class Recorder:
    """A screen that keeps what it is told."""

    def __init__(self) -> None:
        self.said: list[tuple[str, Any]] = []
        self.answer: bool | None = None
        self.reopens = False

    def reopen(self, ticket: Ticket) -> bool:
        return self.reopens

    def begin(self, bench: Bench, ticket: Ticket | None, taken_up: Sequence[Turn]) -> None:
        self.said.append(("begin", (ticket, tuple(taken_up))))

    def wait(self, reason: str) -> None:
        self.said.append(("wait", reason))

    def show_bed(self, bed: BedState, findings: Findings | None, before: BedState | None, old: bool) -> None:
        self.said.append(("look", (bed, findings, old)))

    def tell(self, advice: NextMove, belief: StepBelief, bed: BedState) -> None:
        self.said.append(("tell", (advice, belief)))

    def ask(self, seen: Seen) -> bool | None:
        self.said.append(("ask", seen))
        return self.answer

    def tell_again(self, turns: Sequence[Turn]) -> None:
        self.said.append(("again", tuple(turns)))

    @property
    def last(self) -> Any:
        return self.said[-1]


class Farmed:
    """One machine, its host and its farm."""

    def __init__(self, folder: Path, heights: list[float], model: Model | None = None) -> None:
        self.model = model or model_of(0.4)
        self.truth = Truth(
            self.model, np.array(heights), np.zeros(AXIS.size**2), 0.4, True, 0.004, np.random.default_rng(5)
        )
        self.clock, self.screen = Clock(), Recorder()
        self.settings = Settings(
            farm=Farm(
                name="Saltmarsh Tidegate Works", timezone=ZoneInfo("Europe/Dublin"),
                database=folder / "farm.duckdb", reports=folder,
            ),
            models={self.model.name: self.model},
            mappings={"survey": Mapping(name="survey", path="/m", heights="$.m", x=(10.0, 210.0), y=(10.0, 210.0))},
            machines=(Machine(name="heron-01", model=self.model.name, mapping="survey", address="http://127.0.0.1:9"),),
        )  # fmt: skip
        self.store = Store(self.settings.farm.database)
        self.mesh = self.truth.mesh()
        self.meshed_at = AT - timedelta(minutes=5)
        self.trouble = ""
        self.identity: str | None = None

    def ask(self) -> PollAttempt:
        if self.trouble:
            return PollAttempt(
                machine="heron-01", at=self.clock(), seconds=0.1, outcome="unreachable", reason=self.trouble
            )
        found = HostMesh(mesh=self.mesh, taken_at=self.meshed_at, bed_celsius=60.0, identity=self.identity)
        return PollAttempt(machine="heron-01", at=self.clock(), seconds=0.1, outcome="new", found=found)

    def session(self) -> Session:
        bench = Bench(machine=self.settings.machines[0], model=self.model, limits=Limits(), by="technician")
        return Session(self.settings, self.store, bench, self.screen, self.ask, self.clock)

    def turn_and_mesh(self, minutes: float = 8.0, *, wrong_way: bool = False) -> None:
        kind, (advice, _) = self.screen.last
        assert kind == "tell"
        for turn in advice.turns:
            self.truth.turn(words_of(turn), wrong_way=wrong_way)
        self.clock.pass_minutes(minutes)
        self.mesh, self.meshed_at = self.truth.mesh(), self.clock()


@pytest.fixture
def farmed(tmp_path: Path) -> Farmed:
    return Farmed(tmp_path, [-0.8, 0.4, 0.0])


def test_from_the_first_mesh_to_the_end_in_three(farmed: Farmed) -> None:
    session = farmed.session()
    session.begin()
    assert session.step()
    assert farmed.screen.last[1][0].kind == "learn"
    assert not session.step()
    farmed.turn_and_mesh()
    assert session.step()
    farmed.turn_and_mesh()
    assert session.step()
    assert session.finished is not None
    assert session.finished.ending == "ideal"
    moves = farmed.store.moves(["heron-01"])
    assert [(move.screw, move.teeth) for move in moves] == [
        ("front-left", 1), ("front-left", 1), ("front-right", -1),
    ]  # fmt: skip
    assert all(move.moved_mm == pytest.approx((move.teeth or 0) * 0.4, abs=0.02) for move in moves)
    assert moves[0].range_before_mm > 1.0
    assert moves[-1].range_after_mm is not None
    assert moves[-1].range_after_mm < 0.1


def test_its_readings_count_as_taken_during_work(farmed: Farmed) -> None:
    session = farmed.session()
    session.begin()
    session.step()
    farmed.turn_and_mesh()
    session.step()
    assert farmed.store.histories()["heron-01"].during_work.tolist() == [True, True]


def test_what_was_learned_is_known_to_the_assessment(farmed: Farmed) -> None:
    session = farmed.session()
    session.begin()
    session.step()
    farmed.turn_and_mesh()
    session.step()
    [one] = assess(farmed.settings, farmed.store, farmed.clock()).machines
    assert one.step_learned


def test_it_takes_the_ticket_and_leaves_it_in_work(farmed: Farmed) -> None:
    first = farmed.session()
    first.begin()
    first.step()
    first.leave()
    farmed.clock.pass_minutes(70)
    # A second mesh like the first confirms it.
    farmed.mesh, farmed.meshed_at = farmed.truth.mesh(), farmed.clock()
    second = farmed.session()
    second.begin()
    second.step()
    second.leave()
    update_tickets(farmed.settings, farmed.store, assess(farmed.settings, farmed.store, farmed.clock()))
    book = TicketRepository(farmed.store)
    [ticket] = book.tickets()
    assert ticket.phase == "proposed"
    book.act(ticket.number, "approve", at=farmed.clock(), by="manager")
    third = farmed.session()
    third.begin()
    assert book.ticket(ticket.number).phase == "approved"  # no mesh has been read: nothing was begun
    third.step()
    assert book.ticket(ticket.number).phase == "in-work"
    assert third.ticket_number == ticket.number


def test_it_is_taken_up_again_where_it_was_left(farmed: Farmed) -> None:
    """A lost connection between the move told and its mesh."""
    first = farmed.session()
    first.begin()
    first.step()
    farmed.turn_and_mesh()
    second = farmed.session()
    farmed.clock.pass_minutes(3)
    second.begin()
    kind, (_, taken_up) = farmed.screen.last
    assert (kind, [(turn.screw, turn.teeth) for turn in taken_up]) == ("begin", [("front-left", 1)])
    assert second.step()
    moves = farmed.store.moves(["heron-01"])
    assert moves[0].moved_mm == pytest.approx(0.4, abs=0.02)
    advice = farmed.screen.last[1][0]
    assert {turn.screw: turn.teeth for turn in advice.turns} == {"front-left": 1, "front-right": -1}


def test_moves_left_since_yesterday_are_not_taken_up(farmed: Farmed) -> None:
    first = farmed.session()
    first.begin()
    first.step()
    first.leave()
    farmed.clock.pass_minutes(60 * 25)
    second = farmed.session()
    second.begin()
    assert farmed.screen.last[1][1] == ()
    assert farmed.store.moves() == []


def test_two_people_cannot_be_at_one_machine(farmed: Farmed) -> None:
    first = farmed.session()
    first.begin()
    assert list(farmed.store.claims(farmed.clock())) == ["heron-01"]
    with pytest.raises(InputError, match=r"technician is at heron-01.*counts as ended after two minutes"):
        farmed.session().begin()
    first.leave()
    farmed.session().begin()


def test_a_silent_host_is_said_once_and_waited_for(farmed: Farmed) -> None:
    session = farmed.session()
    session.begin()
    farmed.trouble = "no connection"
    assert not session.step()
    assert not session.step()
    assert [what for kind, what in farmed.screen.said if kind == "wait"] == ["unreachable: no connection"]
    farmed.trouble = ""
    assert session.step()


def test_a_mesh_before_the_turn_does_not_move_the_plan_on(farmed: Farmed) -> None:
    session = farmed.session()
    session.begin()
    session.step()
    farmed.clock.pass_minutes(4)
    farmed.mesh, farmed.meshed_at = farmed.truth.mesh(), farmed.clock()
    assert session.step()
    (_, (_, findings, _)), (again, turns) = farmed.screen.said[-2:]
    assert findings.nothing_moved
    # The order has scrolled off behind the map: it stands last again.
    assert (again, [(turn.screw, turn.teeth, turn.clockwise) for turn in turns]) == (
        "again", [("front-left", 1, True)],
    )  # fmt: skip
    assert [move.after_at for move in farmed.store.moves()] == [None]


def test_a_cold_mesh_is_not_worked_from(tmp_path: Path) -> None:
    farmed = Farmed(tmp_path, [-0.8, 0.4, 0.0], replace(model_of(0.4), judge_from_celsius=70.0))
    session = farmed.session()
    session.begin()
    assert not session.step()
    assert farmed.screen.last[0] == "wait"
    assert "the bed was at 60 °C" in farmed.screen.last[1]


def test_an_old_mesh_is_said_to_be_old(farmed: Farmed) -> None:
    farmed.meshed_at = AT - timedelta(hours=5)
    session = farmed.session()
    session.begin()
    session.step()
    looks = [what for kind, what in farmed.screen.said if kind == "look"]
    assert looks[0][2]


def test_run_ends_when_it_is_told_to_and_gives_the_machine_back(farmed: Farmed) -> None:
    session = farmed.session()
    session.begin()
    stop = threading.Event()
    stop.set()
    assert session.run(stop) is None
    assert farmed.store.claims(farmed.clock()) == {}


def test_another_machines_answer_is_not_worked_from(farmed: Farmed) -> None:
    farmed.store.pin({"heron-01": "SN-1"}, farmed.clock())
    farmed.identity = "SN-2"
    session = farmed.session()
    session.begin()
    assert not session.step()
    assert "calls itself SN-2, not SN-1" in farmed.screen.last[1]
    assert farmed.store.reading_count() == 0


def begun(farmed: Farmed, *, wrong_way: bool) -> Session:
    """A session after its first move, made as told or the wrong way round, and the mesh after it."""
    session = farmed.session()
    session.begin()
    session.step()
    farmed.turn_and_mesh(wrong_way=wrong_way)
    session.step()
    return session


def asked(farmed: Farmed) -> list[Seen]:
    return [what for kind, what in farmed.screen.said if kind == "ask"]


def last_teeth(farmed: Farmed) -> list[tuple[str, int, bool]]:
    return [(turn.screw, turn.teeth, turn.clockwise) for turn in farmed.screen.last[1][0].turns]


def test_a_move_turned_the_wrong_way_round_counts_as_it_was_turned(tmp_path: Path) -> None:
    farmed = Farmed(tmp_path, [-1.6, 0.4, 0.0])
    farmed.screen.answer = False
    session = begun(farmed, wrong_way=True)
    [seen] = asked(farmed)
    assert (seen.against, seen.answer) == (True, None)
    [move] = [move for move in farmed.store.moves() if move.after_at is not None]
    assert (move.teeth, move.moved_mm) == (-1, pytest.approx(-0.4, abs=0.02))
    # The same order again, and of one tooth; once that has gone as told, the rest at once.
    assert last_teeth(farmed) == [("front-left", 1, True)]
    farmed.turn_and_mesh()
    session.step()
    assert len(asked(farmed)) == 1
    assert last_teeth(farmed) == [("front-left", 4, True), ("front-right", -1, False)]
    [one] = assess(farmed.settings, farmed.store, farmed.clock()).machines
    assert one.warnings == ()


def test_a_machine_that_turns_the_other_way_is_believed_when_its_technician_says_so(tmp_path: Path) -> None:
    farmed = Farmed(tmp_path, [-1.6, 0.4, 0.0])
    farmed.truth.raises = False
    farmed.screen.answer = True
    session = begun(farmed, wrong_way=False)
    assert farmed.screen.last[1][1].clockwise == "lowers"
    assert last_teeth(farmed) == [("front-left", 1, False)]
    farmed.turn_and_mesh()
    session.step()
    assert last_teeth(farmed) == [("front-left", 4, False), ("front-right", -1, True)]


def test_with_nobody_to_ask_it_goes_on_by_one_tooth(tmp_path: Path) -> None:
    """The hand erred once: two moves contradict each other, the third brings the sense back, the fourth is the rest."""
    farmed = Farmed(tmp_path, [-1.6, 0.4, 0.0])
    session = begun(farmed, wrong_way=True)
    for _ in range(2):
        assert [abs(teeth) for _, teeth, _ in last_teeth(farmed)] == [1]
        farmed.turn_and_mesh()
        session.step()
    assert last_teeth(farmed) == [("front-left", 5, True), ("front-right", -1, False)]


@pytest.mark.parametrize("silent", [True, False])
def test_taken_up_after_a_contradiction_it_is_still_careful(tmp_path: Path, silent: bool) -> None:
    model = replace(model_of(0.4), clockwise=None) if silent else model_of(0.4)
    farmed = Farmed(tmp_path, [-1.6, 0.4, 0.0], model)
    begun(farmed, wrong_way=not silent).leave()
    farmed.store.finish_moves("heron-01", [])
    # No order waits for its mesh now; what no one could answer for still allows one tooth at the most.
    again = farmed.session()
    again.begin()
    again.step()
    assert [abs(teeth) for _, teeth, _ in last_teeth(farmed)] == [1]
    assert farmed.screen.last[1][0].careful
    farmed.turn_and_mesh()
    again.step()
    assert [abs(teeth) for _, teeth, _ in last_teeth(farmed)] == ([2, 1] if silent else [1])


@pytest.mark.parametrize("silent", [True, False])
def test_taken_up_again_the_order_is_the_one_that_was_told(tmp_path: Path, silent: bool) -> None:
    model = replace(model_of(0.4), clockwise=None) if silent else model_of(0.4, "lowers")
    farmed = Farmed(tmp_path, [1.6, -0.4, 0.0], model)
    farmed.truth.raises = silent
    farmed.screen.answer = True
    begun(farmed, wrong_way=False).leave()
    told = farmed.screen.last[1][0].turns
    farmed.session().begin()
    assert [words_of(turn) for turn in farmed.screen.last[1][1]] == [words_of(turn) for turn in told]
    assert len(told) == 2
    assert farmed.screen.last[1][1] == told


def test_a_first_tooth_taken_up_again_says_no_more_than_it_said(tmp_path: Path) -> None:
    farmed = Farmed(tmp_path, [1.6, -0.4, 0.0], replace(model_of(0.4), clockwise=None))
    session = farmed.session()
    session.begin()
    session.step()
    told = farmed.screen.last[1][0].turns
    session.leave()
    farmed.session().begin()
    assert [words_of(turn) for turn in farmed.screen.last[1][1]] == [
        "front left: 1 tooth anticlockwise seen from below"
    ]
    assert farmed.screen.last[1][1] == told


@pytest.mark.parametrize(("shown", "lender"), [(2, "heron-02"), (1, "")])
def test_another_machine_of_a_silent_model_that_has_shown_it_twice_lends_its_sense(
    tmp_path: Path, shown: int, lender: str
) -> None:
    farmed = Farmed(tmp_path, [1.6, -0.4, 0.0], replace(model_of(0.4), clockwise=None))
    other = Machine(name="heron-02", model=farmed.model.name)
    settings = farmed.settings
    farmed.settings = Settings(
        farm=settings.farm, models=settings.models, mappings=settings.mappings, machines=(*settings.machines, other)
    )
    farmed.store.add_moves(
        [
            Move(
                machine="heron-02", at=AT - timedelta(days=2, minutes=-i), screw="front-left", teeth=1, mm=-0.4,
                before_at=AT - timedelta(days=3), after_at=AT - timedelta(days=2, minutes=-i - 1), moved_mm=-0.4,
                moved_sd_mm=0.01, range_before_mm=1.0,
            )
            for i in range(shown)
        ]
    )  # fmt: skip
    session = farmed.session()
    session.begin()
    session.step()
    advice, belief = farmed.screen.last[1]
    assert belief.reference_machine == lender
    assert [(turn.teeth, turn.clockwise, turn.way_known) for turn in advice.turns] == [(-1, bool(lender), bool(lender))]
    # It turns the other way: that is a contradiction where the other machine has spoken, else only a lesson.
    farmed.turn_and_mesh()
    session.step()
    assert [seen.against for seen in asked(farmed)] == [bool(lender)]


def test_a_mirrored_mapping_stops_the_session_at_its_first_move(farmed: Farmed) -> None:
    session = farmed.session()
    session.begin()
    session.step()
    farmed.turn_and_mesh()
    # What the technician turned shows at the screw across: the mapping reads each row from the other side.
    before = farmed.store.latest()["heron-01"].mesh
    turned = (farmed.mesh.z - before.z)[:, ::-1]
    farmed.mesh = Mesh.accept(before.x, before.y, before.z + turned)
    session.step()
    assert session.finished is not None
    assert session.finished.kind == "stopped"
    assert session.finished.strayed is not None
    assert session.finished.strayed.screw == "front-right"
    # Nothing is learned from it, and it does not wait for a mesh any more.
    [move] = farmed.store.moves(["heron-01"])
    assert move.after_at is not None
    assert move.moved_sd_mm is None


def proven_later(farmed: Farmed) -> int:
    """A ticket whose work is done and whose check is not over."""
    book = TicketRepository(farmed.store)
    session = farmed.session()
    session.begin()
    session.step()
    session.leave()
    farmed.clock.pass_minutes(70)
    farmed.mesh, farmed.meshed_at = farmed.truth.mesh(), farmed.clock()
    second = farmed.session()
    second.begin()
    second.step()
    second.leave()
    update_tickets(farmed.settings, farmed.store, assess(farmed.settings, farmed.store, farmed.clock()))
    [ticket] = book.tickets()
    at = farmed.clock()
    book.act(ticket.number, "approve", at=at, by="manager")
    book.act(ticket.number, "take", at=at, by="bench", change=lambda one: replace(one, work_from=at))
    book.act(ticket.number, "done", at=at, by="bench", change=lambda one: replace(one, work_until=at))
    return ticket.number


def test_work_that_waits_for_its_check_is_reopened_only_when_somebody_says_so(farmed: Farmed) -> None:
    number, book = proven_later(farmed), TicketRepository(farmed.store)
    refused = farmed.session()
    with pytest.raises(InputError, match="Turn nothing; probe heron-01 hot"):
        refused.begin()
    assert book.ticket(number).phase == "proving"
    assert farmed.store.claims(farmed.clock()) == {}
    farmed.screen.reopens = True
    farmed.clock.pass_minutes(5)
    farmed.mesh, farmed.meshed_at = farmed.truth.mesh(), farmed.clock()
    session = farmed.session()
    session.begin()
    assert book.ticket(number).phase == "proving"  # not before a mesh has been read
    session.step()
    assert book.ticket(number).phase == "in-work"


@pytest.mark.parametrize("heights", [[-0.8, 0.4, 0.0], [-2.0, 1.1, 0.0], [0.5, 0.5, 0.0]])
def test_moves_that_lead_nowhere_come_to_an_end(tmp_path: Path, heights: list[float]) -> None:
    """Three times the model's step is among no beliefs: it ends all the same, and says so where it is stopped."""
    farmed = Farmed(tmp_path, heights)
    farmed.truth.step_mm = 1.2
    farmed.mesh = farmed.truth.mesh()
    session = farmed.session()
    session.begin()
    for _ in range(20):
        session.step()
        if session.finished is not None:
            break
        farmed.turn_and_mesh()
    assert session.finished is not None
    assert len({move.before_at for move in farmed.store.moves(["heron-01"])}) <= 14


@pytest.mark.parametrize("step_is", [1.0, 2.0, 4.0, 0.5, 0.25])
@pytest.mark.parametrize("other_way", [False, True])
def test_four_screws_end_at_the_bench_too_whatever_the_model_has_wrong(
    tmp_path: Path, step_is: float, other_way: bool
) -> None:
    """Through the database, where the belief is learned anew from the moves on record; nobody answers."""
    truth = misaligned(
        np.random.default_rng(round(step_is * 8) + other_way), screws=4, step_is=step_is, other_way=other_way
    )
    farmed = Farmed(tmp_path, [0.0] * 4, truth.model)
    farmed.truth, farmed.mesh = truth, truth.mesh()
    session = farmed.session()
    session.begin()
    moves = 0
    first = truth.true_range()
    while session.finished is None and moves < 15:
        session.step()
        if session.finished is None:
            farmed.turn_and_mesh()
            moves += 1
    assert session.finished is not None
    assert session.finished.kind == "finished"
    assert moves <= 6
    assert truth.true_range() - truth.best() <= 0.04
    assert truth.true_range() <= first


def test_the_reference_is_accused_by_two_meshes_and_not_by_one(tmp_path: Path) -> None:
    farmed = Farmed(tmp_path, [-1.2, 0.8, 0.0])
    session = farmed.session()
    session.begin()
    for _ in range(2):
        session.step()
        farmed.turn_and_mesh()
    farmed.truth.heights[2] += 0.4
    farmed.mesh = farmed.truth.mesh()
    session.step()
    kinds = [kind for kind, _ in farmed.screen.said[-2:]]
    findings = farmed.screen.said[-2][1][1]
    assert kinds == ["look", "wait"]
    assert "before anything is turned" in farmed.screen.last[1]
    assert findings.reference_suspected_mm == pytest.approx(0.4, abs=0.03)
    assert all(move.after_at is None for move in farmed.store.moves(["heron-01"])[-2:])
    farmed.clock.pass_minutes(5)
    farmed.mesh, farmed.meshed_at = farmed.truth.mesh(), farmed.clock()
    session.step()
    [(_, (_, accused, _))] = [one for one in farmed.screen.said if one[0] == "look"][-1:]
    assert accused.reference_mm == pytest.approx(0.4, abs=0.03)


def test_a_model_whose_screws_are_changed_in_the_middle_begins_anew_and_says_so(tmp_path: Path) -> None:
    farmed = Farmed(tmp_path, [-0.8, 0.4, 0.0])
    session = farmed.session()
    session.begin()
    session.step()
    session.leave()
    assert [move.made_with for move in farmed.store.moves(["heron-01"])] == [farmed.model.drive_mark]
    farmed.model = replace(farmed.model, lead_mm=4.0)
    again = farmed.session()
    again.begin()
    assert farmed.screen.said[-2] == ("begin", (None, ()))
    assert "those count no more" in farmed.screen.last[1]
    assert len(farmed.store.histories(["heron-01"])["heron-01"]) == 1  # nothing read is lost
    farmed.clock.pass_minutes(5)
    farmed.mesh, farmed.meshed_at = farmed.truth.mesh(), farmed.clock()
    again.step()
    assert farmed.screen.last[0] == "tell"
    assert farmed.screen.last[1][0].kind == "learn"


def test_what_was_learned_with_another_drive_counts_no_more_and_is_named(farmed: Farmed) -> None:
    session = farmed.session()
    session.begin()
    while session.finished is None:
        session.step()
        if session.finished is None:
            farmed.turn_and_mesh()
    session.leave()

    def now(model: Model):
        settings = farmed.settings.model_copy(update={"models": {model.name: model}})
        [one] = assess(settings, farmed.store, farmed.clock(), ["heron-01"]).machines
        return one

    assert now(farmed.model).step_learned
    built = now(replace(farmed.model, pulley_teeth=10))
    assert not built.step_learned
    assert "made with other screws or another drive" in " ".join(built.warnings)
    # Where lead or pulley were written down wrong and are put right, what the moves showed stands.
    wrong = farmed.store.moves(["heron-01"])[0]
    assert replace(wrong, made_with=f"{farmed.model.drive_mark.partition(':')[0]}:0.2").counts_for(farmed.model)
    renamed = replace(farmed.model.screws[0], name="front")
    assert not now(replace(farmed.model, screws=(renamed, *farmed.model.screws[1:]))).step_learned


def test_a_host_taken_away_in_the_middle_loses_nothing(farmed: Farmed) -> None:
    session = farmed.session()
    session.begin()
    session.step()
    told = farmed.screen.last[1][0].turns
    farmed.trouble = "refuses the connection"
    assert not session.step()
    assert farmed.screen.last == ("wait", "unreachable: refuses the connection")
    session.leave()
    farmed.trouble = ""
    again = farmed.session()
    again.begin()
    assert [(turn.screw, turn.teeth) for turn in farmed.screen.last[1][1]] == [(t.screw, t.teeth) for t in told]
