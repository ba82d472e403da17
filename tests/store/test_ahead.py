"""What a clock far ahead has dated counts for nothing until its time comes, and can stand aside for good."""

from __future__ import annotations

import json
from datetime import timedelta
from pathlib import Path

from farmwatch.exchange import export_readings
from farmwatch.history import Note, OutOfService
from farmwatch.store import DurableWriter, PollRecord, Store
from farmwatch.store.records import Claim, Run
from tests.farm import NOW
from tests.store.conftest import MakeReading

YEAR = timedelta(days=365)
HOUR = timedelta(hours=1)


def spoiled(store: Store, reading: MakeReading) -> None:
    """A farm as it is, and what one round of everything by a clock a year ahead leaves in it."""
    store.add_round(
        [reading(taken_at=NOW - HOUR, seen_at=NOW - HOUR, seed=1)],
        [PollRecord(machine="heron-01", at=NOW - HOUR, outcome="new")],
    )
    store.add_note(Note(machine="heron-01", at=NOW - HOUR, what="belt"))
    store.add_run(Run(name="assessment", at=NOW - HOUR, detail="now"))
    ahead = NOW + YEAR
    store.add_round(
        [
            reading(taken_at=ahead, seen_at=ahead, seed=2),
            reading(machine="plover-01", taken_at=ahead, seen_at=ahead, seed=3),
        ],
        [PollRecord(machine="heron-01", at=ahead, outcome="unreachable")],
    )
    store.add_note(Note(machine="heron-01", at=ahead, what="replaced"))
    store.take_out(OutOfService(machine="heron-01", since=ahead, reason="at the bench"))
    store.add_run(Run(name="assessment", at=ahead, detail="then"))
    store.claim(Claim(machine="heron-01", session="s", by="bench", since=ahead, seen_at=ahead))


def test_it_counts_for_nothing(store: Store, reading: MakeReading) -> None:
    spoiled(store, reading)
    history = store.histories(until=NOW)["heron-01"]
    assert (len(history), [note.what for note in history.notes]) == (1, ["belt"])
    assert store.last_digests(until=NOW)["heron-01"].taken_at == NOW - HOUR
    assert store.last_answers(NOW)["heron-01"].outcome == "new"
    assert not store.out_of_service(NOW)
    assert not store.claims(NOW)
    run = store.last_run("assessment", until=NOW)
    assert run is not None
    assert run.detail == "now"


def test_it_is_counted_and_stands_aside_for_good(store: Store, reading: MakeReading, tmp_path: Path) -> None:
    spoiled(store, reading)
    found = store.ahead(NOW)
    assert found.counts == {"readings": 2, "notes": 2, "polls": 1}
    assert (found.machines, found.latest) == (("heron-01", "plover-01"), NOW + YEAR)
    assert store.set_aside_ahead(NOW) == found
    assert store.ahead(NOW).latest is None
    assert store.ahead(NOW + 2 * YEAR).latest is None
    assert store.latest()["heron-01"].taken_at == NOW - HOUR
    assert store.last_answers()["heron-01"].outcome == "new"
    with store.database.reading() as con:
        rows = con.execute('SELECT "from", machine, entry FROM set_aside ORDER BY ALL').fetchall()
    assert [(table, machine) for table, machine, _ in rows] == [
        ("notes", "heron-01"), ("out_of_service", "heron-01"), ("polls", "heron-01"), ("readings", "heron-01"),
        ("readings", "plover-01"),
    ]  # fmt: skip
    # Each as it was, heights and all.
    assert len(json.loads(rows[3][2])["heights"]) > 3
    # What comes after it is whole in every way out.
    store.add_readings([reading(taken_at=NOW, seen_at=NOW, seed=4)])
    assert export_readings(store, tmp_path / "out").readings == 2
    assert len((tmp_path / "out" / "readings.ndjson").read_text().splitlines()) == 2
    assert set(store.histories()) == {"heron-01"}


def test_what_stands_aside_is_put_back_as_it_was(store: Store, reading: MakeReading) -> None:
    def everything() -> dict[str, list[object]]:
        tables = ("readings", "notes", "polls", "out_of_service", "answers")
        with store.database.reading() as con:
            return {table: con.execute(f"SELECT * FROM {table} ORDER BY ALL").fetchall() for table in tables}

    spoiled(store, reading)
    before = everything()
    found = store.set_aside_ahead(NOW)
    # One has come again since, and a machine has another name by now.
    store.add_readings([reading(taken_at=NOW + YEAR, seen_at=NOW + YEAR, seed=2)])
    store.rename("plover-01", "plover-09")
    assert store.aside_as_ahead().counts == found.counts
    store.rename("plover-09", "plover-01")
    assert store.put_back_ahead().counts == found.counts
    assert everything() == before
    assert store.put_back_ahead().latest is None
    assert not store.latest(until=NOW).keys() - {"heron-01"}


def test_what_is_put_back_has_the_name_of_today(store: Store, reading: MakeReading) -> None:
    spoiled(store, reading)
    store.set_aside_ahead(NOW)
    store.rename("heron-01", "heron-09")
    store.put_back_ahead()
    assert set(store.latest()) == {"heron-09", "plover-01"}
    assert {note.machine for note in store.notes()} == {"heron-09"}


def test_a_clock_a_little_ahead_is_left_alone(store: Store, reading: MakeReading) -> None:
    store.add_readings([reading(taken_at=NOW + HOUR, seen_at=NOW + HOUR, seed=1)])
    assert store.set_aside_ahead(NOW).latest is None
    assert store.reading_count() == 1


def test_what_waits_beside_the_database_counts_up_to_the_very_time(store: Store, reading: MakeReading) -> None:
    writer = DurableWriter(store)
    writer.pending.append([reading(taken_at=NOW, seen_at=NOW, seed=1)], [])
    assert list(writer.last_digests(NOW)) == ["heron-01"]
    assert not writer.last_digests(NOW - HOUR)
