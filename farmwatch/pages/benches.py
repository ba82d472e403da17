"""The guided realignments that go on in this service: each in a thread of its own, whatever becomes of the phone.

A phone may lock, reload or lose its radio, and a second one may look on: the session stays here, and what it knows
stands in the database. The claim that it holds carries the service's own mark, so that a service that comes back within
two minutes takes up the sessions it had.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Literal

from farmwatch.collect import fetch_mesh, fetcher_for
from farmwatch.errors import FarmwatchError, InputError
from farmwatch.judge.learned import StepBelief
from farmwatch.pages.source import FarmSource
from farmwatch.realign import BedState, Bench, Findings, NextMove, Seen, Session, Turn
from farmwatch.store import StoreError
from farmwatch.tickets import Ticket, TicketRepository

__all__ = ["MARK", "MOST", "Benches", "Shown"]

_log = logging.getLogger(__name__)

MARK = "pages"
"""By which the service knows a claim as its own."""
MOST = 16
"""So many at once: a thread each, and a farm has fewer benches."""
ASK_SECONDS = 5.0
# Nobody has looked for so long: the machine goes back to the polls. A bed takes half an hour to heat through.
FORGOTTEN_SECONDS = 2 * 3600.0
ANSWER_SECONDS = 20.0
ENDING_SECONDS = 2.0
_STILL_OPEN = ("proposed", "approved", "in-work", "came-back")


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """What a page shows of a session."""

    version: int = 0
    step: Literal["first-mesh", "turn", "asked", "ended", "broken"] = "first-mesh"
    by: str
    ticket: int | None = None
    since: datetime
    """Since when it waits for what comes next."""
    waiting: str = ""
    """Why nothing new has come, in words; empty where the host just has no newer mesh."""
    advice: NextMove | None = None
    turns: tuple[Turn, ...] = ()
    belief: StepBelief | None = None
    bed: BedState | None = None
    before: BedState | None = None
    findings: Findings | None = None
    expected_mm: float | None = None
    """What the range was to be after the moves that `findings` tells of."""
    old: bool = False
    """The newest mesh is hours old."""
    again: bool = False
    """The moves were told before and are not made yet, or were taken up again."""
    asked: Seen | None = None
    can_take_back: bool = False
    fault: str = ""


class _PageScreen:
    """Where a session speaks to the page: it keeps what is to be shown."""

    def __init__(self, by: str, clock: Callable[[], datetime], *, reopen: bool) -> None:
        self._clock, self._reopen = clock, reopen
        self._lock = threading.Lock()
        self._answer: bool | None = None
        self._answered = threading.Event()
        self.keep_claim: Callable[[], None] = _nothing
        self.stop = threading.Event()
        self.shown = Shown(by=by, since=clock())

    def put(self, **values: object) -> None:
        """Show something else from now on."""
        with self._lock:
            # Fields by name: what fits which is beyond the checker.
            self.shown = replace(self.shown, version=self.shown.version + 1, **values)  # type: ignore[arg-type]

    def begin(self, bench: Bench, ticket: Ticket | None, taken_up: Sequence[Turn]) -> None:
        """The session begins."""
        number = None if ticket is None else ticket.number
        step: Literal["turn", "first-mesh"] = "turn" if taken_up else "first-mesh"
        self.put(by=bench.by, ticket=number, turns=tuple(taken_up), step=step, again=bool(taken_up))

    def reopen(self, ticket: Ticket) -> bool:  # noqa: ARG002  # every ticket in question is this machine's
        """As was ticked before it began."""
        return self._reopen

    def wait(self, reason: str) -> None:
        """Why nothing new has come."""
        self.put(waiting=reason)

    def show_bed(self, bed: BedState, findings: Findings | None, before: BedState | None, old: bool) -> None:
        """A mesh has come."""
        expected = None if self.shown.advice is None else self.shown.advice.expected_mm
        self.put(
            bed=bed, findings=findings, before=before, old=old, waiting="", since=self._clock(), expected_mm=expected
        )

    def ask(self, seen: Seen) -> bool | None:
        """Put the question to the page and wait for it; None where the session is ended meanwhile."""
        if seen.told is None or seen.told.clockwise is None:
            return None
        self._answered.clear()
        self.put(step="asked", asked=seen)
        while not self._answered.wait(ANSWER_SECONDS):
            if self.stop.is_set():
                return None
            self.keep_claim()
        self.put(step="turn", asked=None)
        return self._answer

    def answer(self, way: bool | None) -> None:
        """What the one who turned it says."""
        self._answer = way
        self._answered.set()

    def tell(self, advice: NextMove, belief: StepBelief, bed: BedState) -> None:
        """The next move, or the end."""
        over = advice.kind in ("finished", "stopped")
        self.put(
            step="ended" if over else "turn", advice=advice, turns=advice.turns, belief=belief, bed=bed, again=False,
            since=self._clock(),
        )  # fmt: skip

    def tell_again(self, turns: Sequence[Turn]) -> None:
        """The moves last told, which have not been made yet."""
        self.put(step="turn", turns=tuple(turns), again=True)


class _Sitting:
    """One session and its thread."""

    def __init__(self, farm: FarmSource, name: str, by: str, *, reopen: bool) -> None:
        settings = farm.settings()
        machine = settings.machine(name)
        if machine.address is None or machine.mapping is None:
            raise InputError(f"{name} has no host to ask; import its meshes and follow the plan on its page")
        self.name = name
        self.screen = _PageScreen(by, farm.clock, reopen=reopen)
        self._fetcher = fetcher_for(settings)
        bench = Bench(machine=machine, model=settings.models[machine.model], limits=settings.limits, by=by)
        self.model, self.limits = bench.model, bench.limits
        self._session = Session(
            settings, farm.store, bench, self.screen,
            lambda: fetch_mesh(settings, machine, self._fetcher, farm.clock), farm.clock, f"{MARK}/{name}",
        )  # fmt: skip
        self.screen.keep_claim = self._session.keep_claim
        self._farm = farm
        self._wake = threading.Event()
        self._lock = threading.Lock()
        self._wanted: list[Callable[[], None]] = []
        self._keeps_claim = False
        self.looked_at = time.monotonic()
        self._thread = threading.Thread(target=self._run, name=f"farmwatch-realign-{name}", daemon=True)

    @property
    def goes_on(self) -> bool:
        """Whether its thread runs."""
        return self._thread.is_alive()

    def begin(self) -> None:
        """Claim the machine and go on from what stands in the database; raises InputError."""
        try:
            self._session.begin()
        except BaseException:
            # Whatever ends it, an interrupt too: the thread that would have closed it has not begun.
            self._fetcher.close()
            raise
        self._thread.start()

    def want(self, what: Callable[[Session], None]) -> None:
        """Let the session do something between two steps."""
        with self._lock:
            self._wanted.append(lambda: what(self._session))
        self._wake.set()

    def end(self, *, goes_on: bool = False) -> None:
        """Leave the machine to the polls; where it goes on in a moment, the claim is kept for as long as one lasts."""
        self._keeps_claim = goes_on
        self.screen.stop.set()
        self._wake.set()
        self._thread.join(ENDING_SECONDS)

    def _run(self) -> None:
        try:
            while not self.screen.stop.is_set():
                self._once()
                if time.monotonic() - self.looked_at > FORGOTTEN_SECONDS:
                    break
                self._wake.wait(ASK_SECONDS)
                self._wake.clear()
        except FarmwatchError as fault:
            self.screen.put(step="broken", fault=str(fault))
        except Exception as fault:
            _log.error("realign-failed", exc_info=fault, extra={"fields": {"machine": self.name}})
            self.screen.put(step="broken", fault="A bug in farmwatch; its log tells where. What was done is recorded.")
        finally:
            self._fetcher.close()
            if not self._keeps_claim:
                self._leave()

    def _is_written(self) -> bool:
        """Whether the work was said to be done on its ticket, or the ticket was closed."""
        number = self._session.ticket_number
        if number is None:
            return False
        return TicketRepository(self._farm.store).ticket(number).phase not in _STILL_OPEN

    def _leave(self) -> None:
        try:
            self._session.leave()
        except FarmwatchError as fault:
            # The claim ends by itself within two minutes.
            _log.warning("realign-unleft", extra={"fields": {"machine": self.name, "words": str(fault)}})

    def _once(self) -> None:
        with self._lock:
            wanted, self._wanted = self._wanted, []
        for what in wanted:
            try:
                what()
            except InputError as refusal:
                self.screen.put(waiting=str(refusal))
        try:
            if self._session.finished is not None and self._is_written():
                # Its check is up to the polls.
                self.screen.stop.set()
            elif self._session.finished is not None:
                self._session.keep_claim()
            elif self._session.step():
                self._farm.changed()
        except StoreError as fault:
            # The database is busy or full: nothing is lost, the next step tries again.
            self.screen.wait(str(fault))
        if self.screen.shown.can_take_back != self._session.can_take_back:
            self.screen.put(can_take_back=self._session.can_take_back)


class Benches:
    """All that go on. Every method may be called from any thread."""

    def __init__(self, farm: FarmSource) -> None:
        self._farm = farm
        self._lock = threading.Lock()
        self._sittings: dict[str, _Sitting] = {}

    def at(self, name: str) -> Shown | None:
        """What a page shows of the session at a machine; None where none goes on here."""
        found = self._sittings.get(name)
        if found is None:
            return None
        found.looked_at = time.monotonic()
        if not found.goes_on and found.screen.shown.step != "broken":
            return None
        return found.screen.shown

    def begin(self, name: str, by: str, *, reopen: bool = False) -> None:
        """Begin at a machine, or take up what was left there; raises InputError where somebody is at it already."""
        with self._lock:
            known = self._sittings.get(name)
            if known is not None and known.goes_on:
                raise InputError(f"{known.screen.shown.by} is at {name} already; take it over on its page")
            if sum(sitting.goes_on for sitting in self._sittings.values()) >= MOST:
                raise InputError(f"{MOST} realignments go on already; end one first")
            sitting = _Sitting(self._farm, name, by, reopen=reopen)
            sitting.begin()
            self._sittings[name] = sitting

    def resume(self) -> None:
        """Take up what this service was doing when it ended, a moment ago."""
        for name, claim in self._farm.store.claims(self._farm.clock()).items():
            if claim.session.startswith(f"{MARK}/") and name in {m.name for m in self._farm.settings().machines}:
                try:
                    self.begin(name, claim.by, reopen=True)
                except FarmwatchError as fault:
                    _log.warning("realign-not-resumed", extra={"fields": {"machine": name, "words": str(fault)}})

    def hand_over(self, name: str, by: str) -> None:
        """Somebody else holds it from now on."""
        sitting = self._held(name)
        sitting.want(lambda session: session.hand_over(by))
        sitting.screen.put(by=by)

    def answer(self, name: str, way: bool | None) -> None:
        """What the one who turned it says; raises InputError where nothing is asked."""
        sitting = self._held(name)
        if sitting.screen.shown.step != "asked":
            raise InputError("that was answered already")
        sitting.screen.answer(way)

    def take_back(self, name: str) -> None:
        """Tell the last move the other way."""
        sitting = self._held(name)
        if not sitting.screen.shown.can_take_back:
            raise InputError("the newest mesh shows no move that could be taken back")
        sitting.want(Session.take_back)

    def leave(self, name: str) -> None:
        """End the session; what it knows stays in the database."""
        self._held(name).end()

    def close(self) -> None:
        """End all, as when the service ends; they are taken up again."""
        for sitting in self._sittings.values():
            sitting.end(goes_on=True)

    def _held(self, name: str) -> _Sitting:
        found = self._sittings.get(name)
        if found is None or not found.goes_on:
            raise InputError(f"no guided realignment goes on at {name}; start it anew")
        return found


def _nothing() -> None:
    """Nothing is claimed yet."""
