"""Where an assessment takes what is known of a farm from: the store, memory, or whatever else holds readings.

One door: whatever has `known` and `newest_digests` can be assessed, be it DuckDB, Parquet files or histories in memory.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import Protocol

from farmwatch.config import Settings
from farmwatch.follow import DriftPrior
from farmwatch.history import History, OpenTicket, OutOfService
from farmwatch.store import Move, Store
from farmwatch.store.records import LastAnswer, LearnedDrift

__all__ = ["Histories", "Known", "Source", "StoreSource"]

# How far back the first try at a host that never answered is looked for.
_FIRST_TRY_WITHIN = timedelta(days=60)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Known:
    """What is known of some machines at one time, by machine; what nobody knows is left out."""

    histories: Mapping[str, History]
    answers: Mapping[str, LastAnswer] = field(default_factory=dict)
    first_tries: Mapping[str, datetime] = field(default_factory=dict)
    """Of machines whose host never gave what its mapping expects."""
    out: Mapping[str, Sequence[OutOfService]] = field(default_factory=dict)
    moves: Mapping[str, Sequence[Move]] = field(default_factory=dict)
    """Turns made at the bench whose effect was seen by then."""
    tickets: Mapping[str, OpenTicket] = field(default_factory=dict)
    priors: Mapping[str, DriftPrior] = field(default_factory=dict)
    """By model of machine, what the farm learned of its drift."""
    stamps: Mapping[str, str] = field(default_factory=dict)
    """What each record comes to, where the source can say so by a text that changes with any of it."""

    def history(self, machine: str) -> History:
        """Its readings with its times out of service; an empty one where nothing is known."""
        history = self.histories.get(machine) or History.of(machine, [])
        return replace(history, out_of_service=tuple(self.out.get(machine, ())))


class Source(Protocol):
    """What an assessment asks of whatever holds a farm's readings. Both may raise FarmwatchError."""

    def known(self, names: Sequence[str], at: datetime) -> Known:
        """All that is known of the machines named at `at` (aware), as one state; later readings may come along."""
        ...

    def newest_digests(self, at: datetime) -> Mapping[str, str]:
        """By machine, `Mesh.digest` of its newest mesh at `at`, so that one mesh under two names is noticed."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Histories:
    """Histories in memory, and what else is known with them."""

    held: Known

    def known(self, names: Sequence[str], at: datetime) -> Known:
        """What is held of them, until then."""
        held, epoch = self.held.histories, at.timestamp()
        return replace(self.held, histories={name: held[name].until(epoch) for name in names if name in held})

    def newest_digests(self, at: datetime) -> Mapping[str, str]:
        """Of every history with a reading by then."""
        epoch = at.timestamp()
        found = {name: history.until(epoch) for name, history in self.held.histories.items()}
        return {name: history.mesh(-1).digest() for name, history in found.items() if len(history)}


@dataclass(frozen=True, slots=True, eq=False)
class StoreSource:
    """The farm's own database."""

    settings: Settings
    store: Store

    def known(self, names: Sequence[str], at: datetime, *, whole: bool = True) -> Known:
        """By one opening of the database; without the histories unless `whole`. Raises StoreError."""
        wanted: Sequence[str] | None = names
        if len(names) == len(self.settings.machines):
            # A scan of everything need not compare names.
            wanted = None
        with self.store.one_state():
            answers = self.store.last_answers(at)
            return Known(
                histories=self.store.histories(wanted, at, self.settings.read_by) if whole else {},
                answers=answers,
                first_tries=self.first_tries(at, answers),
                out=self.store.spans_out(at),
                moves=_seen_moves(self.store.moves(wanted, at, self.settings.read_by), at),
                tickets=self.store.open_tickets(wanted, at),
                priors=_drift_priors(self.store.learned_drift(at)),
                stamps=self.store.record_stamps(wanted, at),
            )

    def newest_digests(self, at: datetime) -> Mapping[str, str]:
        """Of every machine of the database. Raises StoreError."""
        return {name: last.digest for name, last in self.store.last_digests(until=at).items() if last.counts}

    def first_tries(self, at: datetime, answers: Mapping[str, LastAnswer]) -> dict[str, datetime]:
        """Of machines whose host never gave what its mapping expects, when it was first asked. Raises StoreError."""
        hosts = {machine.name for machine in self.settings.machines if machine.address is not None}
        mute = sorted(name for name, answer in answers.items() if answer.understood_at is None and name in hosts)
        first_tries: dict[str, datetime] = {}
        for record in self.store.polls(at - _FIRST_TRY_WITHIN, at, mute) if mute else ():
            first_tries.setdefault(record.machine, record.at)
        return first_tries


def _seen_moves(moves: Sequence[Move], at: datetime) -> dict[str, list[Move]]:
    seen: dict[str, list[Move]] = defaultdict(list)
    for move in moves:
        if move.after_at is not None and move.after_at <= at:
            seen[move.machine].append(move)
    return seen


def _drift_priors(learned: Mapping[str, LearnedDrift]) -> dict[str, DriftPrior]:
    """By model of machine, what was learned; what an older farmwatch learned of other kinds of drift is left out."""
    found = ((model, DriftPrior.of(one.weights)) for model, one in learned.items())
    return {model: prior for model, prior in found if prior is not None}
