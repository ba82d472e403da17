"""The store: what a farm's machines measured and answered, and what people entered, in one DuckDB file."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import AbstractContextManager
from datetime import datetime
from pathlib import Path

from farmwatch.history import History, Note, OpenTicket, OutOfService, Reading
from farmwatch.mesh import Mesh
from farmwatch.store import (
    ahead,
    copies,
    forecasts,
    kept,
    marks,
    notes,
    page_changes,
    page_reads,
    polls,
    readings,
    realign_moves,
    stamps,
)
from farmwatch.store import names as names_of_machines
from farmwatch.store.columns import ReadingColumns
from farmwatch.store.database import Database
from farmwatch.store.records import (
    Ahead,
    AsideKind,
    Claim,
    Entry,
    FailingDeliveries,
    KeptAnswer,
    LastAnswer,
    LastMesh,
    LearnedDrift,
    Move,
    PageChange,
    PollRecord,
    Run,
    SaidForecast,
)

__all__ = ["Store"]


class Store:
    """One database, opened for the length of each call only. All methods raise StoreError.

    Times given and returned are aware, UTC. `names` None means every machine; `until` None means no end, otherwise
    only what was taken or done at or before it counts.
    """

    def __init__(
        self, path: Path, *, memory_limit: str = "256MB", threads: int = 2, patience_seconds: float = 30.0
    ) -> None:
        self.database = Database(path, memory_limit=memory_limit, threads=threads, patience_seconds=patience_seconds)

    @classmethod
    def on(cls, database: Database) -> Store:
        """A store on a database that is opened in a way of its own."""
        store = cls.__new__(cls)
        store.database = database
        return store

    @property
    def path(self) -> Path:
        """The database file."""
        return self.database.path

    def check(self) -> None:
        """Open for writing and close again; raises StoreError where that cannot be done."""
        with self.database.writing():
            pass

    def backup(self, target: Path) -> int:
        """Copy the database while it is in use, to a file checked before it takes its place; returns its readings."""
        return copies.backup(self.database, target)

    def restore(self, source: Path, now: datetime) -> copies.Restored:
        """Put a checked backup in the place of the database, which is kept aside with `now` in its name."""
        return copies.restore(self.database, source, now)

    def one_state(self) -> AbstractContextManager[None]:
        """Everything read within sees the same state of the database, opened once; nothing is written there."""
        return self.database.one_state()

    # Readings

    def add_readings(self, new: Sequence[Reading] | ReadingColumns) -> int:
        """Store readings; those that stand already (same machine, time and mesh) are left out. Returns how many."""
        return self.add_round(new, ())

    def add_round(self, new: Sequence[Reading] | ReadingColumns, records: Sequence[PollRecord]) -> int:
        """Store readings and polls in one transaction; returns how many readings were new."""
        columns = new if isinstance(new, ReadingColumns) else ReadingColumns.of(new)
        if not len(columns) and not records:
            return 0
        with self.database.writing() as con:
            stored = readings.insert(con, columns)
            polls.insert(con, records)
            if not isinstance(new, ReadingColumns):
                kept.add(con, new)
        return stored

    def histories(
        self,
        names: Sequence[str] | None = None,
        until: datetime | None = None,
        read_by: Mapping[str, str] | None = None,
    ) -> dict[str, History]:
        """Every machine's readings by one scan, with its notes; machines without a reading or note are left out.

        `read_by` holds the mark of each machine's mapping: what is known to be read by another one is left out, since
        two readings of one answer, a mirrored one and a right one, must never be taken for a change of the bed.
        Readings of one time stand in the order in which they were seen.
        """
        with self.database.reading() as con:
            found = readings.fetch(con, names, until)
            noted = notes.notes(con, names, until)
            works = notes.works(con, names, until)
        return readings.histories(readings.of_mappings(found, read_by or {}), noted, works)

    def latest(self, names: Sequence[str] | None = None, until: datetime | None = None) -> dict[str, Reading]:
        """The newest reading of each machine, set aside or not: what its host showed last."""
        with self.database.reading() as con:
            found = readings.fetch_latest(con, names, until)
        return readings.latest(found)

    def last_digests(self, names: Sequence[str] | None = None, until: datetime | None = None) -> dict[str, LastMesh]:
        """What the newest reading of each machine is known by."""
        with self.database.reading() as con:
            return readings.last_digests(con, names, until)

    def other_mappings(self, read_by: Mapping[str, str]) -> dict[str, int]:
        """By machine, how many readings another mapping read than the one marked `read_by`; none are left out."""
        with self.database.reading() as con:
            return kept.foreign_counts(con, read_by)

    def answers_of_other_mappings(
        self, read_by: Mapping[str, str], since: datetime | None = None
    ) -> tuple[list[KeptAnswer], dict[str, int]]:
        """The kept answers of such readings from `since` on; and, by machine, how many of them have none."""
        with self.database.reading() as con:
            return kept.foreign(con, read_by, since)

    def replace_meshes(self, anew: Sequence[tuple[KeptAnswer, Mesh]], read_by: Mapping[str, str], at: datetime) -> None:
        """Put meshes in the place of those that the same answers gave before, and say so in `rereads`."""
        with self.database.writing() as con:
            kept.replace_meshes(con, anew, read_by, at)

    def thin_answers(self, keep: int) -> int:
        """Keep the newest `keep` answers of each machine; returns how many went."""
        with self.database.writing() as con:
            return kept.thin(con, keep)

    def knows(self, reading: Reading) -> bool:
        """Whether this mesh of this machine and time is stored."""
        with self.database.reading() as con:
            return readings.knows(con, reading)

    def change_stamps(self) -> dict[str, str]:
        """A text for each machine that changes with any entry of it: readings, notes, moves, work."""
        with self.database.reading() as con:
            return readings.change_stamps(con)

    def record_stamps(self, names: Sequence[str] | None = None, until: datetime | None = None) -> dict[str, str]:
        """A text for each machine with a record that changes with anything its assessment at a time rests on."""
        with self.database.reading() as con:
            return stamps.record_stamps(con, names, until)

    def reading_count(self) -> int:
        """How many readings there are."""
        with self.database.reading() as con:
            return readings.count(con)

    def reading_end(self) -> int:
        """One more than the number of the newest reading, as `reading_slice` counts."""
        with self.database.reading() as con:
            return readings.end(con)

    def reading_slice(self, start: int, stop: int) -> list[Reading]:
        """Readings in the order in which they were stored, from number `start` (0 is the first) to before `stop`."""
        with self.database.reading() as con:
            rows = readings.fetch_slice(con, start, stop)
        return readings.sliced(rows)

    def write_parquet(self, file: Path, start: int, stop: int) -> None:
        """The readings of `reading_slice` into a Parquet file, without passing through Python."""
        with self.database.reading() as con:
            readings.write_parquet(con, file, start, stop)

    # Polls

    def polls(self, since: datetime, until: datetime, names: Sequence[str] | None = None) -> list[PollRecord]:
        """Polls with since <= at <= until, in time order."""
        with self.database.reading() as con:
            return polls.between(con, since, until, names)

    def last_answers(self, until: datetime | None = None) -> dict[str, LastAnswer]:
        """The last try at each machine and when its host last answered."""
        with self.database.reading() as con:
            return polls.last_answers(con, until)

    def thin_polls(self, before: datetime) -> int:
        """Of polls before a time keep, a machine and day, the first and last of each run of like outcomes."""
        with self.database.writing() as con:
            return polls.thin(con, before)

    # What people enter

    def add_note(self, note: Note) -> None:
        """Store what was done by hand at a machine."""
        with self.database.writing() as con:
            notes.add_note(con, note)

    def notes(self, names: Sequence[str] | None = None, until: datetime | None = None) -> list[Note]:
        """Notes in time order."""
        with self.database.reading() as con:
            return notes.notes(con, names, until)

    def take_out(self, out: OutOfService) -> None:
        """Take a machine out of service; where it is out already, the new reason and end take the place of the old."""
        with self.database.writing() as con:
            notes.take_out(con, out)

    def bring_back(self, machine: str, at: datetime) -> bool:
        """Bring a machine back into service; returns whether it was out."""
        with self.database.writing() as con:
            return notes.bring_back(con, machine, at)

    def out_of_service(self, at: datetime) -> dict[str, OutOfService]:
        """The machines that are out of service at a time."""
        with self.database.reading() as con:
            return notes.out_of_service(con, at)

    def spans_out(self, at: datetime) -> dict[str, tuple[OutOfService, ...]]:
        """Every span out of service that began by a time, by machine; one ended early ends when it came back."""
        with self.database.reading() as con:
            return notes.spans_out(con, at)

    # At the bench

    def add_moves(self, new: Sequence[Move]) -> None:
        """Record moves as they are told, before anything is seen of them."""
        with self.database.writing() as con:
            realign_moves.add_moves(con, new)

    def finish_moves(self, machine: str, seen: Sequence[Move]) -> None:
        """Record what the next mesh showed of the moves last told; they take the place of what was still to come."""
        with self.database.writing() as con:
            realign_moves.finish_moves(con, machine, seen)

    def moves(
        self,
        names: Sequence[str] | None = None,
        until: datetime | None = None,
        read_by: Mapping[str, str] | None = None,
    ) -> list[Move]:
        """The moves of realignments in time order.

        What one did is None where its meshes were set aside, or read by another mapping than `read_by` says: screws
        of a mirrored mesh teach nothing.
        """
        with self.database.reading() as con:
            return realign_moves.moves(con, names, until, read_by or {})

    def claim(self, who: Claim) -> Claim | None:
        """Claim a machine, or renew the claim; returns whose it is already (nothing is changed then), else None."""
        with self.database.writing() as con:
            return realign_moves.claim(con, who)

    def claims(self, at: datetime) -> dict[str, Claim]:
        """Machines that a guided realignment has claimed: polls leave them alone."""
        with self.database.reading() as con:
            return realign_moves.claims(con, at)

    def leave(self, machine: str, session: str) -> None:
        """A session at a machine has ended."""
        with self.database.writing() as con:
            realign_moves.leave(con, machine, session)

    def open_tickets(self, names: Sequence[str] | None = None, until: datetime | None = None) -> dict[str, OpenTicket]:
        """The open ticket of each machine that has one, as it stood at `until`; of two the one about its bed."""
        with self.database.reading() as con:
            return realign_moves.open_tickets(con, names, until)

    def in_work(self) -> frozenset[str]:
        """Machines whose ticket is in work just now."""
        with self.database.reading() as con:
            return realign_moves.in_work(con)

    def waiting_deliveries(self, at: datetime) -> tuple[int, int]:
        """How many letters of the outbox are to be tried at a time, and how many wait in all."""
        with self.database.reading() as con:
            return realign_moves.waiting_deliveries(con, at)

    def failing_deliveries(self, at: datetime) -> FailingDeliveries | None:
        """Letters that could not be delivered for an hour or longer at a time; None where there is none."""
        with self.database.reading() as con:
            return realign_moves.failing_deliveries(con, at)

    # Forecasts

    def add_said_forecasts(self, new: Sequence[SaidForecast]) -> None:
        """Keep what was said of the days to come; what was said first of a machine in a week stands."""
        if new:
            with self.database.writing() as con:
                forecasts.add_said(con, new)

    def settle_forecasts(self, known: Sequence[SaidForecast]) -> None:
        """Enter what came of forecasts said before."""
        if known:
            with self.database.writing() as con:
                forecasts.settle(con, known)

    def said_forecasts(self, until: datetime | None = None) -> list[SaidForecast]:
        """Every forecast kept, in time order, with what had come of it by `until`."""
        with self.database.reading() as con:
            return forecasts.said(con, until)

    def add_learned_drift(self, new: Sequence[LearnedDrift]) -> None:
        """Keep what the farm learned of its machines' drift."""
        if new:
            with self.database.writing() as con:
                forecasts.add_learned(con, new)

    def learned_drift(self, until: datetime | None = None) -> dict[str, LearnedDrift]:
        """By model of machine, what was learned last of its drift."""
        with self.database.reading() as con:
            return forecasts.learned(con, until)

    def take_priors(self, document: str, learned: Sequence[LearnedDrift], at: datetime) -> None:
        """Keep what the company's other sites have learned, and let forecasts start from its drift."""
        with self.database.writing() as con:
            forecasts.take_priors(con, document, at)
            forecasts.add_learned(con, learned)

    def company_priors(self, until: datetime | None = None) -> str | None:
        """The document that was taken over last."""
        with self.database.reading() as con:
            return forecasts.company_priors(con, until)

    # Identities and runs

    def identities(self) -> dict[str, str]:
        """What each machine's host calls itself, as pinned at first contact."""
        with self.database.reading() as con:
            return notes.identities(con)

    def pin(self, found: dict[str, str], at: datetime) -> None:
        """Pin identities of machines that have none yet; a pinned one stays."""
        if found:
            with self.database.writing() as con:
                notes.pin(con, found, at)

    def unpin(self, machine: str) -> bool:
        """Forget a machine's identity (its host was replaced); returns whether it had one."""
        with self.database.writing() as con:
            return notes.unpin(con, machine)

    def add_run(self, run: Run) -> None:
        """Enter into the last-run record."""
        with self.database.writing() as con:
            notes.add_run(con, run)

    def last_run(self, name: str, until: datetime | None = None) -> Run | None:
        """The newest run of that name, at or before a time."""
        with self.database.reading() as con:
            return notes.last_run(con, name, until)

    # Through the pages

    def begin_change(self, change: PageChange) -> PageChange | None:
        """Enter a change before it is made; returns the one of the same form where it was entered already."""
        with self.database.writing() as con:
            return page_changes.begin(con, change)

    def finish_change(self, key: str, outcome: str) -> None:
        """Enter what came of it."""
        with self.database.writing() as con:
            page_changes.finish(con, key, outcome)

    def page_changes(self, most: int = 50) -> list[PageChange]:
        """The newest changes made through the pages, the last on top."""
        with self.database.reading() as con:
            return page_changes.newest(con, most)

    def readings_of(
        self,
        machine: str,
        since: datetime | None = None,
        until: datetime | None = None,
        *,
        most: int = 50,
        aside: bool = False,
    ) -> list[Reading]:
        """The newest readings of one machine, the newest first; `aside`: those that were set aside among them."""
        with self.database.reading() as con:
            return page_reads.readings(con, machine, since, until, most, aside=aside)

    def recent_polls(self, machine: str, most: int = 20) -> list[PollRecord]:
        """The last tries at a machine's host, the newest first."""
        with self.database.reading() as con:
            return page_reads.recent_polls(con, machine, most)

    def poll_shares(self, since: datetime, until: datetime) -> Mapping[str, tuple[int, int]]:
        """By machine, how many tries between two times were understood, and how many there were."""
        with self.database.reading() as con:
            return page_reads.poll_shares(con, since, until)

    # Names

    def machines_known(self) -> dict[str, int]:
        """Every machine with readings or tickets, and how many readings it has."""
        with self.database.reading() as con:
            return names_of_machines.known(con)

    def addresses(self) -> dict[str, str]:
        """The address that each machine last had in a configuration by which it was polled."""
        with self.database.reading() as con:
            return names_of_machines.addresses(con)

    def keep_addresses(self, found: Mapping[str, str]) -> None:
        """Remember the addresses of machines; nothing is written where they are known."""
        known = self.addresses()
        new = {name: address for name, address in found.items() if known.get(name) != address}
        if new:
            with self.database.writing() as con:
                names_of_machines.keep_addresses(con, new)

    def rename(self, old: str, new: str) -> None:
        """Let all that is kept of `old` be of `new`, in one transaction."""
        with self.database.writing() as con:
            names_of_machines.rename(con, old, new)

    def refuse_gone(self) -> None:
        """Raise StoreGone where the disk on which the database lay is not there any more."""
        self.database.refuse_gone()

    # Set aside by people

    def entries(
        self, kind: AsideKind, machine: str, since: datetime | None = None, until: datetime | None = None
    ) -> list[Entry]:
        """A machine's readings, notes or moves from `since` to `until`, both within; those set aside among them."""
        with self.database.reading() as con:
            return marks.entries(con, kind, machine, since, until)

    def set_aside(
        self, kind: AsideKind, machine: str, span: tuple[datetime, datetime], *, why: str, by: str, at: datetime
    ) -> int:
        """Let the entries of a span (both ends within) count for nothing; they are kept. Returns how many are new.

        Raises InputError for a reason that is empty or too long.
        """
        with self.database.writing() as con:
            return marks.change(con, kind, machine, span, why=why, by=by, at=at, put_back=False)

    def put_back_in(
        self, kind: AsideKind, machine: str, span: tuple[datetime, datetime], *, by: str, at: datetime, why: str = ""
    ) -> int:
        """Undo `set_aside` for the entries of a span; returns how many count again."""
        with self.database.writing() as con:
            return marks.change(con, kind, machine, span, why=why, by=by, at=at, put_back=True)

    # From ahead of the clock

    def ahead(self, now: datetime) -> Ahead:
        """What lies ahead of a clock that says `now`: it counts for nothing until its time comes."""
        with self.database.reading() as con:
            return ahead.find(con, now)

    def set_aside_ahead(self, now: datetime) -> Ahead:
        """Let what lies ahead of the clock stand aside for good; returns what it was."""
        with self.database.writing() as con:
            return ahead.set_aside(con, now)

    def aside_as_ahead(self) -> Ahead:
        """What stands aside because it lay ahead of the clock."""
        with self.database.reading() as con:
            return ahead.aside(con)

    def put_back_ahead(self) -> Ahead:
        """Let that count from its time on again; returns what it was."""
        with self.database.writing() as con:
            return ahead.put_back(con)
