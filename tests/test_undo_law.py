"""The law of undoing: after every mistake has been put right, all is said as if none had been made, to the byte.

Two farms see the same meshes. One of them is left alone. At the other mappings are changed and answers read anew,
readings, notes and moves are set aside, the machine is renamed, and a ticket is taken and given back, in any order;
then all of it is undone, each by its own command's function.
"""

from __future__ import annotations

import tempfile
from contextlib import ExitStack
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, Literal

import orjson
import pytest
from hypothesis import Phase
from hypothesis import settings as given_settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, precondition, rule, run_state_machine_as_test

from farmwatch.assess import assess
from farmwatch.config import load_settings
from farmwatch.history import Note
from farmwatch.judge import assessment_document
from farmwatch.store import Move, Store
from farmwatch.tickets import TicketRepository, open_by_hand
from tests.collect.hosts import serving
from tests.test_reread import CORNERS, START, Farm

END = (START - timedelta(days=1), START + timedelta(days=19))
NAMES = ("heron-01", "heron-07")


class Renaming(Farm):
    """A farm of one machine, whose name in the configuration can be changed too."""

    name = NAMES[0]

    def use(self, first: str = "front-left", unit: str = "mm") -> None:
        super().use(first, unit)
        self.config.write_text(self.config.read_text().replace(NAMES[0], self.name))
        self.settings = load_settings(self.config)


class History(RuleBasedStateMachine):
    """Mistakes at one farm, none at the other."""

    def __init__(self) -> None:
        super().__init__()
        self.stack = ExitStack()
        folder = Path(self.stack.enter_context(tempfile.TemporaryDirectory()))
        self.farm = Renaming(folder, self.stack.enter_context(serving({})))
        self.untouched = Store(folder / "untouched.duckdb")
        self.first = "front-left"
        self.steps: list[datetime] = []
        for seed in range(3):
            self.farm.probe(seed, 0.6)
            self._both()
        fleet = assess(self.farm.settings, self.untouched, self.now)
        for store in (self.farm.store, self.untouched):
            open_by_hand(self.farm.settings, store, fleet, NAMES[0], None, "it creaks", "Mo")

    @property
    def now(self) -> datetime:
        return START + timedelta(hours=self.farm.hours, minutes=10)

    @property
    def book(self) -> TicketRepository:
        return TicketRepository(self.farm.store)

    def _both(self) -> None:
        self.farm.poll()
        # The one that is left alone has its right mapping and its first name.
        name, self.farm.name = self.farm.name, NAMES[0]
        self.farm.use()
        self.farm.poll(self.untouched)
        self.farm.name = name
        self.farm.use(self.first)

    @rule(seed=st.integers(0, 99), tilt=st.sampled_from([0.05, 0.3, 0.6]))
    def mesh(self, seed: int, tilt: float) -> None:
        self.farm.probe(seed, tilt)
        self._both()

    @rule()
    def the_same_mesh_again(self) -> None:
        self.farm.hours += 1
        self._both()

    @rule(first=st.sampled_from(CORNERS))
    def change_the_mapping(self, first: str) -> None:
        self.first = first
        self.farm.use(first)

    @rule()
    def reread(self) -> None:
        self.farm.reread()

    @rule(new=st.sampled_from(NAMES))
    def rename(self, new: str) -> None:
        if new != self.farm.name:
            self.farm.store.rename(self.farm.name, new)
            self.farm.name = new
            self.farm.use(self.first)

    @rule(start=st.integers(0, 40), length=st.integers(0, 40))
    def set_readings_aside(self, start: int, length: int) -> None:
        self._set_aside("readings", START + timedelta(hours=start), START + timedelta(hours=start + length))

    @rule(start=st.integers(0, 40))
    def put_readings_back(self, start: int) -> None:
        self._put_back("readings", START + timedelta(hours=start))

    @rule(what=st.sampled_from(["belt", "plate", "moved", "replaced", "pulley"]), hours=st.integers(0, 20))
    def note_by_mistake(self, what: Any, hours: int) -> None:
        at = START + timedelta(hours=hours)
        self.farm.store.add_note(Note(machine=self.farm.name, at=at, what=what))
        self._set_aside("notes", at, at)

    @rule(teeth=st.sampled_from([-1, 1, 2]), mm=st.floats(0.2, 0.7))
    def move_by_mistake(self, teeth: int, mm: float) -> None:
        at = START + timedelta(hours=6)
        made = Move(
            machine=self.farm.name, at=at, screw="front-left", teeth=teeth, mm=0.4, before_at=at, after_at=at,
            moved_mm=mm, moved_sd_mm=0.01, range_before_mm=0.6, range_after_mm=0.2,
        )  # fmt: skip
        self.farm.store.add_moves([made, made])

    @rule(action=st.sampled_from(["approve", "take", "done", "put-back", "withdraw"]))
    def step_of_the_ticket(self, action: Any) -> None:
        if action in self.book.ticket(1).possible:
            self.book.act(1, action, at=self.now, by="Mo", why="by mistake")
            self.steps.append(self.now)

    @precondition(lambda self: self.steps)
    @rule()
    def undo_the_last_step(self) -> None:
        self.book.undo(1, at=self.steps.pop(), by="Mo")

    def _set_aside(self, kind: Literal["readings", "notes", "moves"], since: datetime, until: datetime) -> None:
        span = (since, until)
        self.farm.store.set_aside(kind, self.farm.name, span, why="a mistake", by="Mo", at=self.now)

    def _put_back(self, kind: Literal["readings", "notes", "moves"], since: datetime) -> None:
        self.farm.store.put_back_in(kind, self.farm.name, (since, END[1]), by="Mo", at=self.now)

    def document(self, store: Store) -> bytes:
        return orjson.dumps(assessment_document(assess(self.farm.settings, store, END[1])))

    def teardown(self) -> None:
        with self.stack:
            while self.steps:
                self.undo_the_last_step()
            self._set_aside("moves", *END)
            self._put_back("readings", END[0])
            self.rename(NAMES[0])
            self.change_the_mapping("front-left")
            self.reread()
            # Whatever the hosts said in between, both show the same mesh again now.
            self.the_same_mesh_again()
            assert self.document(self.farm.store) == self.document(self.untouched)
            assert b'"condition":"unknown"' not in self.document(self.untouched)


def _tried(examples: int, steps: int, *, derandomize: bool) -> None:
    run_state_machine_as_test(  # type: ignore[no-untyped-call]
        History,
        settings=given_settings(
            max_examples=examples, stateful_step_count=steps, deadline=None, phases=[Phase.generate],
            derandomize=derandomize,
        ),
    )  # fmt: skip


def test_what_is_undone_was_never_done() -> None:
    _tried(1, 6, derandomize=True)


@pytest.mark.long
def test_what_is_undone_was_never_done_at_length() -> None:
    _tried(15, 12, derandomize=False)
