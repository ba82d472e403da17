"""One guided realignment as it happens: ask the host, show, tell, wait for the next mesh, say what it did.

Every wake-up is `Session.step`, which never sleeps; `run` only repeats it. All that a session knows stands in the
database (moves as they are told, readings as they come), so it can be left at any moment and taken up again. Readings
are kept as taken during work.
"""

from __future__ import annotations

import threading
import uuid
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Protocol

from farmwatch.collect import PollAttempt, reading_of
from farmwatch.config import Machine, Settings
from farmwatch.eligibility import find_judgeable, why_not_judged
from farmwatch.errors import InputError
from farmwatch.history import Reading
from farmwatch.judge.learned import DOUBT, DOUBT_WHEN_ASKED, StepBelief, first_belief, learn_turn
from farmwatch.model import Limits, Model, TurningSense
from farmwatch.realign.bed import BedState, bed_state
from farmwatch.realign.coach import (
    Findings,
    NextMove,
    Seen,
    Turn,
    back,
    careful_after,
    clockwise_teeth,
    compare,
    moved_untold,
    next_move,
)  # fmt: skip
from farmwatch.store import Move, Store
from farmwatch.store.records import Claim
from farmwatch.text import clock
from farmwatch.tickets import Ticket, TicketRepository

__all__ = ["ASK_EVERY_SECONDS", "Bench", "Screen", "Session"]

ASK_EVERY_SECONDS = 5.0
BEAT_EVERY = timedelta(seconds=30)
# A move that was told so long ago was made, or will not be; its mesh would prove nothing.
TAKEN_UP_WITHIN = timedelta(hours=24)
OLD_MESH = timedelta(hours=2)
# A realignment takes two or three moves; one that takes so many follows a model that is not this machine's.
MOST_MOVES = 14
# One move of another machine of the model may have been turned the wrong way round; two that agree hardly.
SISTER_MOVES = 2


class Screen(Protocol):
    """Where a session speaks to the technician."""

    def begin(self, bench: Bench, ticket: Ticket | None, taken_up: Sequence[Turn]) -> None:
        """The session begins, or is taken up again with moves that wait for their mesh."""

    def reopen(self, ticket: Ticket) -> bool:
        """Whether to turn the screws again though the work of this ticket is done and waits for its check."""

    def wait(self, reason: str) -> None:
        """Nothing new, and why; told once as long as the reason stays."""

    def show_bed(self, bed: BedState, findings: Findings | None, before: BedState | None, old: bool) -> None:
        """A mesh has come; what the moves before it really did."""

    def ask(self, seen: Seen) -> bool | None:
        """Whether a screw was turned the way round that was told; None where nobody can answer."""

    def tell(self, advice: NextMove, belief: StepBelief, bed: BedState) -> None:
        """The next move, or the end."""

    def tell_again(self, turns: Sequence[Turn]) -> None:
        """The moves last told, which have not been made yet."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bench:
    """The machine on the bench."""

    machine: Machine
    model: Model
    limits: Limits
    by: str


class Session:
    """One realignment of one machine; `ask` asks its host once, `clock` gives the time (aware, UTC)."""

    def __init__(
        self,
        settings: Settings,
        store: Store,
        bench: Bench,
        screen: Screen,
        ask: Callable[[], PollAttempt],
        clock: Callable[[], datetime],
        session_id: str = "",
    ) -> None:
        """session_id: by which the claim on the machine is known; a service that comes back knows its own by it."""
        self._settings, self._store, self._bench, self._screen = settings, store, bench, screen
        self._ask, self._clock = ask, clock
        self._id = session_id or uuid.uuid4().hex
        self._since = clock()
        self._beat: datetime | None = None
        self._ticket: Ticket | None = None
        self._last: BedState | None = None
        self._before: BedState | None = None
        """The mesh that the open moves were read from."""
        self._before_findings: BedState | None = None
        self._open: tuple[Turn, ...] = ()
        self._findings: Findings | None = None
        """What the moves before the newest mesh did."""
        self._rounds = 0
        self._suspected: float | None = None
        """By how much the reference rose, where the mesh before alone says so."""
        self._careful = False
        """A move went against what was told, and none has gone as told since."""
        self._sister: tuple[str, TurningSense] | None = None
        self._asked_about: set[tuple[datetime, str]] = set()
        """Moves by time and screw of which was asked which way round they were turned."""
        self._pinned: str | None = None
        self._other_drive = False
        """Screws or drive of the model were changed since the last moves were told."""
        self._reason = ""
        self.finished: NextMove | None = None

    @property
    def ticket_number(self) -> int | None:
        """The ticket that the work is recorded on."""
        return self._ticket.number if self._ticket else None

    def begin(self) -> None:
        """Claim the machine and pick up what stands in the database; raises InputError where somebody is at it."""
        self._claim()
        name = self._bench.machine.name
        self._ticket = _open_ticket(TicketRepository(self._store).tickets([name]))
        if self._ticket is not None and self._ticket.phase == "proving" and not self._screen.reopen(self._ticket):
            self.leave()
            raise InputError(
                f"ticket {self._ticket.number}: its work is done and waits for its check. Turn nothing; probe {name} "
                f"hot. To turn its screws again all the same: farmwatch realign {name} --reopen"
            )
        self._pinned = self._store.identities().get(name)
        self._sister = self._sense_of_others()
        self._careful = _careful_from(self._moves([name]))
        self._open, self._before = self._left_open()
        self._screen.begin(self._bench, self._ticket, self._open)
        if self._other_drive:
            self._wait(
                "screws or drive of its model were changed since the last moves were told, and those count no more; "
                "what was turned of them, the mesh shows"
            )

    def run(self, stop: threading.Event, every_seconds: float = ASK_EVERY_SECONDS) -> NextMove | None:
        """Step until it is finished or `stop` is set; returns the last advice, None where it was stopped."""
        try:
            while self.finished is None and not stop.is_set():
                self.step()
                if self.finished is None:
                    stop.wait(every_seconds)
        finally:
            self.leave()
        return self.finished

    def step(self) -> bool:
        """Ask once; returns whether a new mesh came."""
        self._claim()
        asked = self._ask()
        if asked.found is None:
            self._wait(f"{asked.outcome}: {asked.reason}" if asked.reason else asked.outcome)
            return False
        pinned, said = self._pinned, asked.found.identity
        if pinned is not None and said is not None and said != pinned:
            self._wait(f"other-machine: the host calls itself {said}, not {pinned}; see the address of this machine")
            return False
        mesh = asked.found.mesh
        if self._last is not None and mesh.same_as(self._last.mesh):
            self._wait("")
            return False
        bed, old = self._keep(asked)
        if bed is None:
            return False
        self._take_ticket()
        self._see(bed, old)
        return True

    def _take_ticket(self) -> None:
        """Take the ticket once a mesh has been read: a session that saw none has done nothing."""
        ticket = self._ticket
        if ticket is None or ticket.phase not in ("approved", "came-back", "proving"):
            return
        self._ticket = TicketRepository(self._store).act(
            ticket.number,
            "take",
            at=self._clock(),
            by=self._bench.by,
            why="Guided realignment.",
            change=lambda found: replace(found, work_from=self._clock(), work_until=None),
        )

    def keep_claim(self) -> None:
        """Say that somebody is still at the machine; `step` does so by itself."""
        self._claim()

    def hand_over(self, by: str) -> None:
        """From now on somebody else is at the machine; raises InputError where the claim is another session's."""
        self._bench = replace(self._bench, by=by)
        self._beat = None
        self._claim()

    @property
    def can_take_back(self) -> bool:
        """Whether the newest mesh shows what moves did, so that they can be told the other way."""
        return bool(self._findings and back(self._findings, self._bench.model))

    def take_back(self) -> None:
        """Tell the moves that the newest mesh shows the other way, in place of what was told since; not made yet, too.

        Raises InputError where that mesh shows none.
        """
        findings, bed, before = self._findings, self._last, self._before_findings
        turns = () if findings is None else back(findings, self._bench.model)
        if findings is None or bed is None or before is None or not turns:
            raise InputError("the newest mesh shows no move that could be taken back")
        self._store.finish_moves(self._bench.machine.name, [])
        self.finished, self._findings, self._open = None, None, turns
        self._store.add_moves([self._told(turn, bed, findings.belief) for turn in turns])
        self._screen.tell(NextMove(kind="turn", turns=turns, expected_mm=before.range_mm), findings.belief, bed)

    def leave(self) -> None:
        """Give the machine back to the polls."""
        self._store.leave(self._bench.machine.name, self._id)

    def _claim(self) -> None:
        now = self._clock()
        if self._beat is not None and now - self._beat < BEAT_EVERY:
            return
        name = self._bench.machine.name
        other = self._store.claim(
            Claim(machine=name, session=self._id, by=self._bench.by, since=self._since, seen_at=now)
        )
        if other is not None:
            raise InputError(
                f"{other.by or 'somebody'} is at {name} with a guided realignment since "
                f"{clock(other.since, self._settings.farm.timezone)}; end that one first (one that was cut off "
                "counts as ended after two minutes)"
            )
        self._beat = now

    def _wait(self, reason: str) -> None:
        if reason != self._reason:
            self._reason = reason
            self._screen.wait(reason)

    def _keep(self, asked: PollAttempt) -> tuple[BedState | None, bool]:
        """Store the mesh as a reading taken during work, and measure it; None where it cannot be judged."""
        assert asked.found is not None
        name, now = self._bench.machine.name, self._clock()
        newest = self._store.latest([name]).get(name)
        mapping = self._settings.mappings[self._bench.machine.mapping or ""]
        if newest is not None and newest.mesh.same_as(asked.found.mesh):
            reading = newest
        else:
            reading = reading_of(
                name, asked.found, now, first=newest is None, celsius_is=mapping.temperature_is, in_work=True
            )
            self._store.add_readings([reading])
        why = self._why_not(reading)
        if why:
            self._wait(f"a mesh came, but {why}")
            return None, False
        self._reason = ""
        return self._measured(reading), now - reading.taken_at > OLD_MESH

    def _why_not(self, reading: Reading) -> str:
        from farmwatch.history import History

        if reading.set_aside is not None:
            return f"it was set aside ({reading.set_aside})"
        history = History.of(reading.machine, [reading])
        if find_judgeable(history, self._bench.model)[-1]:
            return ""
        return why_not_judged(history, -1, self._bench.model)

    def _measured(self, reading: Reading) -> BedState:
        return bed_state(reading.mesh, self._bench.model, reading.taken_at)

    def _see(self, bed: BedState, old: bool) -> None:
        belief = self._belief()
        findings = None
        if self._open and self._before is not None:
            findings = self._compared(self._before, bed, belief)
            self._suspected = findings.reference_suspected_mm
            if self._suspected is not None:
                self._screen.show_bed(bed, findings, self._before, old)
                self._last = bed
                self._wait("a second one, hot, before anything is turned")
                return
            if findings.nothing_moved:
                self._screen.show_bed(bed, findings, self._before, old)
                self._screen.tell_again(self._open)
                self._last = bed
                return
            self._record(findings, bed)
            strayed = moved_untold(findings)
            if strayed is not None:
                self._stop(strayed, findings, bed, old)
                return
            self._careful = careful_after(self._careful, findings)
            belief = findings.belief
            self._rounds += 1
        self._findings, self._before_findings = findings, self._before
        self._screen.show_bed(bed, findings, self._before if findings else None, old)
        self._last = self._before = bed
        bench = self._bench
        advice = next_move(bed, bench.model, bench.limits, belief, self._rounds, careful=self._careful)
        if advice.kind != "finished" and self._rounds >= MOST_MOVES:
            advice = NextMove(kind="stopped")
        self._open = advice.turns
        if advice.kind in ("finished", "stopped"):
            self.finished = advice
        else:
            self._store.add_moves([self._told(turn, bed, belief) for turn in advice.turns])
        self._screen.tell(advice, belief, bed)

    def _stop(self, strayed: Seen, findings: Findings, bed: BedState, old: bool) -> None:
        """A whole tooth on a screw that was not told: to go on by the same names would turn what is not meant."""
        self._screen.show_bed(bed, findings, self._before, old)
        self._open, self._last = (), bed
        self.finished = NextMove(kind="stopped", strayed=strayed)
        self._screen.tell(self.finished, findings.belief, bed)

    def _compared(self, before: BedState, bed: BedState, belief: StepBelief) -> Findings:
        """What the open moves did; where only the one who turned can say what that means, that is asked first."""
        model, suspected = self._bench.model, self._suspected
        findings = compare(before, bed, self._open, model, belief, suspected_mm=suspected)
        answers = {one.screw: self._screen.ask(one) for one in findings.screws if one.to_ask}
        given = {screw: answer for screw, answer in answers.items() if answer is not None}
        return compare(before, bed, self._open, model, belief, given, suspected) if given else findings

    def _belief(self) -> StepBelief:
        belief = first_belief(self._bench.model, self._sister)
        return _learned(self._bench.model, belief, self._moves([self._bench.machine.name]), self._asked_about)

    def _sense_of_others(self) -> tuple[str, TurningSense] | None:
        """Another machine of the model and what its moves show of a clockwise turn, where all that know it agree."""
        mine, model = self._bench.machine, self._bench.model
        if model.clockwise is not None:
            return None
        others = [one.name for one in self._settings.machines if one.model == mine.model and one.name != mine.name]
        moves = self._moves(others) if others else []
        beliefs = {
            name: _learned(model, first_belief(model), [move for move in moves if move.machine == name])
            for name in others
        }
        known = [
            (name, belief.clockwise)
            for name, belief in beliefs.items()
            if belief.moves >= SISTER_MOVES and belief.clockwise is not None
        ]
        agreed = len({sense for _, sense in known}) == 1
        return next(((name, sense) for name, sense in known if sense is not None), None) if agreed else None

    def _moves(self, names: Sequence[str]) -> list[Move]:
        return self._store.moves(names, read_by=self._settings.read_by)

    def _told(self, turn: Turn, bed: BedState, belief: StepBelief) -> Move:
        return Move(
            machine=self._bench.machine.name,
            ticket=self._ticket.number if self._ticket else None,
            at=self._clock(),
            by=self._bench.by,
            screw=turn.screw,
            teeth=clockwise_teeth(turn, belief),
            mm=turn.rise_mm if turn.way_known else None,
            before_at=bed.taken_at,
            range_before_mm=bed.range_mm,
            made_with=self._bench.model.drive_mark,
        )

    def _record(self, findings: Findings, bed: BedState) -> None:
        """What each told move really did, turned as it counts; one made otherwise keeps no sd to be learned with."""
        name = self._bench.machine.name
        seen = {one.screw: one for one in findings.screws}
        done = []
        for move in self._moves([name]):
            if move.after_at is not None:
                continue
            one = seen.get(move.screw)
            moved = one if one is not None and one.moved else None
            counts = moved is not None and moved.teaches
            if moved is not None and moved.answer is not None:
                self._asked_about.add((move.at, move.screw))
            done.append(
                replace(
                    move,
                    teeth=moved.turned if moved and moved.turned else move.teeth,
                    mm=moved.rise_mm if moved and move.mm is None and moved.answer else move.mm,
                    after_at=bed.taken_at,
                    moved_mm=moved.rise_mm if moved else None,
                    moved_sd_mm=moved.sd_mm if moved and counts else None,
                    range_after_mm=bed.range_mm,
                    read_by=self._settings.read_by.get(name),
                )
            )
        self._store.finish_moves(name, done)

    def _left_open(self) -> tuple[tuple[Turn, ...], BedState | None]:
        """Moves that an earlier session told and that still wait for their mesh, with the mesh they were read from."""
        name, now = self._bench.machine.name, self._clock()
        left = [move for move in self._moves([name]) if move.after_at is None]
        if not left:
            return (), None
        history = self._store.histories([name], read_by=self._settings.read_by).get(name)
        at = max(move.before_at for move in left)
        fresh = now - max(move.at for move in left) <= TAKEN_UP_WITHIN
        places = [] if history is None else [i for i in range(len(history)) if history.taken_at[i] == at.timestamp()]
        model = self._bench.model
        screws = {screw.name for screw in model.screws}
        changed = any(move.screw not in screws or move.made_with not in (None, model.drive_mark) for move in left)
        self._other_drive = fresh and changed
        if not fresh or history is None or not places or changed:
            self._store.finish_moves(name, [])
            return (), None
        mesh = history.mesh(places[-1])
        before = bed_state(mesh, self._bench.model, at)
        self._last = before
        return tuple(_as_it_was_told(move, self._belief()) for move in left), before


def _learned(
    model: Model, belief: StepBelief, moves: Sequence[Move], asked_about: Collection[tuple[datetime, str]] = ()
) -> StepBelief:
    """The belief after the moves on record of one machine; those of `asked_about` (time, screw) are doubted less."""
    for move in moves:
        if move.teeth and move.moved_mm is not None and move.moved_sd_mm and move.counts_for(model):
            doubt = DOUBT_WHEN_ASKED if (move.at, move.screw) in asked_about else DOUBT
            belief = learn_turn(belief, move.teeth, move.moved_mm, move.moved_sd_mm, doubt)
    return belief


def _open_ticket(tickets: Sequence[Ticket]) -> Ticket | None:
    """The ticket that this work belongs to: the machine's open one that is not about its host."""
    return next((ticket for ticket in tickets if ticket.is_open and ticket.cause != "host"), None)


def _as_it_was_told(move: Move, belief: StepBelief) -> Turn:
    """The turn that a move was told as: its way round stands in its teeth, the bed's way in the rise meant."""
    if not move.teeth:
        return Turn(screw=move.screw, teeth=None, rise_mm=move.mm or 0.0)
    clockwise = move.teeth > 0
    up = clockwise == (belief.likelier_sense == "raises") if not move.mm else move.mm > 0
    teeth = abs(move.teeth) if up else -abs(move.teeth)
    rise_mm = move.mm or teeth * belief.step_mm
    return Turn(screw=move.screw, teeth=teeth, rise_mm=rise_mm, clockwise=clockwise, way_known=bool(move.mm))


def _careful_from(moves: Sequence[Move]) -> bool:
    """What `careful_after` said of the last moves on record: left in the middle, it is as careful when taken up."""
    careful = False
    for after in sorted({move.after_at for move in moves if move.after_at is not None}):
        made = [move for move in moves if move.after_at == after and move.moved_mm]
        if any(move.mm is None or move.mm * (move.moved_mm or 0.0) < 0 for move in made):
            careful = True
        elif any(move.moved_sd_mm or move.teeth is None for move in made):
            careful = False
    return careful
