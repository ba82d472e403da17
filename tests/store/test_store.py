"""The store gives back what it was given, once, in time order."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from datetime import UTC, datetime, timedelta

import numpy as np

from farmwatch.history import History, Note, OutOfService, Reading
from farmwatch.mesh import Mesh
from farmwatch.store import PollRecord, Store
from farmwatch.store.records import Run

T0 = datetime(2026, 11, 23, 5, 58, 11, 123457, tzinfo=UTC)
HOUR = timedelta(hours=1)
MakeReading = Callable[..., Reading]


def same_history(one: History, other: History) -> None:
    assert one.machine == other.machine
    for name in ("taken_at", "seen_at", "bed_celsius", "celsius_is_now", "during_work"):
        np.testing.assert_array_equal(getattr(one, name), getattr(other, name), err_msg=name)
        assert getattr(one, name).dtype == getattr(other, name).dtype, name
    assert one.time_from.tolist() == other.time_from.tolist()
    assert one.plate.tolist() == other.plate.tolist()
    assert one.notes == other.notes
    assert len(one.stacks) == len(other.stacks)
    for mine, theirs in zip(one.stacks, other.stacks, strict=True):
        for part in ("x", "y", "z", "index"):
            np.testing.assert_array_equal(getattr(mine, part), getattr(theirs, part))


def test_a_new_database_is_empty(store: Store) -> None:
    assert store.histories() == {}
    assert store.latest() == {}
    assert store.last_digests() == {}
    assert store.last_answers() == {}
    assert store.polls(T0, T0 + HOUR) == []
    assert store.reading_count() == 0
    assert store.out_of_service(T0) == {}
    assert store.last_run("report") is None


def test_histories_equal_those_gathered_in_memory(store: Store, reading: MakeReading) -> None:
    wide = Mesh.accept([0, 50, 100, 220], [0, 100, 200], np.arange(12.0).reshape(3, 4) / 100)
    given = [
        reading(hours=5, seed=1, plate=None),
        reading(hours=1, seed=2, bed_celsius=None, celsius_is="now", time_from="unknown"),
        reading(hours=3, seed=3, mesh=wide, during_work=True),
        reading("plover-02", hours=2, seed=4, plate="B"),
        reading(hours=2, seed=5),
    ]
    assert store.add_readings(given) == 5
    found = store.histories()
    assert list(found) == ["heron-01", "plover-02"]
    for name, history in found.items():
        same_history(history, History.of(name, [r for r in given if r.machine == name]))


def test_the_same_again_is_harmless(store: Store, reading: MakeReading) -> None:
    assert store.add_readings([reading(), reading()]) == 1
    assert store.add_readings([reading(), reading(hours=1)]) == 1
    assert store.reading_count() == 2


def test_two_meshes_of_one_time_are_both_kept(store: Store, reading: MakeReading) -> None:
    """Hosts that tell time by the minute may probe twice within one; which mesh is right nobody can say."""
    assert store.add_readings([reading(seed=1), reading(seed=2, seen_at=T0 + HOUR)]) == 2
    assert store.histories()["heron-01"].mesh(-1).same_as(reading(seed=2).mesh)
    assert store.latest()["heron-01"].mesh.same_as(reading(seed=2).mesh)


def test_until_and_names_narrow(store: Store, reading: MakeReading) -> None:
    store.add_readings([reading(hours=h, seed=h) for h in range(4)] + [reading("plover-01", seed=9)])
    assert len(store.histories(until=T0 + HOUR)["heron-01"]) == 2
    assert list(store.histories(names=["plover-01"])) == ["plover-01"]
    assert store.latest(until=T0 + HOUR)["heron-01"].mesh.same_as(reading(seed=1).mesh)
    assert store.histories(names=[]) == {}


def test_latest_and_last_digests(store: Store, reading: MakeReading) -> None:
    newest = reading(hours=7, seed=7)
    store.add_readings([newest, reading(hours=2, seed=2), reading(hours=-3, seed=3)])
    found = store.latest()["heron-01"]
    assert found.mesh.same_as(newest.mesh)
    assert (found.taken_at, found.seen_at, found.plate) == (newest.taken_at, newest.seen_at, "A")
    last = store.last_digests()["heron-01"]
    assert (last.digest, last.taken_at, last.time_from) == (newest.mesh.digest(), newest.taken_at, "host")


def test_polls_and_answers(store: Store) -> None:
    polls = [
        PollRecord(machine="heron-01", at=T0, outcome="new", seconds=0.1),
        PollRecord(machine="heron-01", at=T0 + HOUR, outcome="garbled", reason="no list at $.grid", seconds=0.2),
        PollRecord(machine="heron-01", at=T0 + 2 * HOUR, outcome="timed-out", reason="10 s", seconds=10.0),
    ]
    store.add_round((), polls)
    store.add_round((), polls)
    assert store.polls(T0, T0 + 2 * HOUR) == polls
    assert store.polls(T0 + HOUR, T0 + HOUR, ["heron-01"]) == polls[1:2]
    assert store.polls(T0, T0 + HOUR, ["plover-01"]) == []
    assert Counter(p.outcome for p in store.polls(T0, T0 + 3 * HOUR)) == {"new": 1, "garbled": 1, "timed-out": 1}
    now = store.last_answers()["heron-01"]
    assert (now.outcome, now.reason, now.polled_at) == ("timed-out", "10 s", T0 + 2 * HOUR)
    assert (now.answered_at, now.understood_at) == (T0 + HOUR, T0)
    then = store.last_answers(until=T0 + 1.5 * HOUR)["heron-01"]
    assert (then.outcome, then.answered_at, then.understood_at) == ("garbled", T0 + HOUR, T0)


def test_an_older_poll_that_comes_late_does_not_turn_back_the_last_answer(store: Store) -> None:
    store.add_round((), [PollRecord(machine="heron-01", at=T0 + HOUR, outcome="unreachable", reason="refused")])
    store.add_round((), [PollRecord(machine="heron-01", at=T0, outcome="same")])
    last = store.last_answers()["heron-01"]
    assert (last.outcome, last.reason, last.answered_at) == ("unreachable", "refused", T0)


def test_old_polls_are_thinned_to_where_their_outcome_changes(store: Store) -> None:
    outcomes = ["same"] * 5 + ["timed-out"] + ["same"] * 3
    store.add_round(
        (),
        [PollRecord(machine="heron-01", at=T0 + k * HOUR, outcome=o) for k, o in enumerate(outcomes)],  # type: ignore[arg-type]
    )
    before = store.last_answers()
    assert store.thin_polls(T0 + 100 * HOUR) == 4
    kept = [(p.at - T0) // HOUR for p in store.polls(T0, T0 + 100 * HOUR)]
    assert kept == [0, 4, 5, 6, 8]
    assert store.last_answers() == before
    assert store.thin_polls(T0) == 0


def test_notes_enter_the_history(store: Store, reading: MakeReading) -> None:
    first = Note(machine="heron-01", at=T0, what="belt", by="Ada", text="new belt, =1+1")
    second = Note(machine="avocet-01", at=T0 + HOUR, what="moved")
    store.add_note(second)
    store.add_note(first)
    store.add_readings([reading()])
    assert store.notes() == [first, second]
    assert store.notes(until=T0) == [first]
    found = store.histories()
    assert found["heron-01"].notes == (first,)
    assert len(found["avocet-01"]) == 0
    assert found["avocet-01"].notes == (second,)


def test_out_and_back(store: Store) -> None:
    out = OutOfService(machine="heron-01", since=T0, reason="waits for a plate")
    store.take_out(out)
    assert store.out_of_service(T0 - HOUR) == {}
    assert store.out_of_service(T0 + 9 * HOUR) == {"heron-01": out}
    assert store.bring_back("heron-01", T0 + 10 * HOUR)
    assert not store.bring_back("heron-01", T0 + 11 * HOUR)
    assert store.out_of_service(T0 + 9 * HOUR) == {"heron-01": out}
    assert store.out_of_service(T0 + 10 * HOUR) == {}


def test_out_again_takes_the_place_and_until_ends_by_itself(store: Store) -> None:
    store.take_out(OutOfService(machine="heron-01", since=T0, reason="belt"))
    again = OutOfService(machine="heron-01", since=T0 + HOUR, reason="pulley", until=T0 + 5 * HOUR)
    store.take_out(again)
    assert store.out_of_service(T0 + 2 * HOUR) == {"heron-01": again}
    assert store.out_of_service(T0 + 5 * HOUR) == {}


def test_identities_stay_as_pinned(store: Store) -> None:
    store.pin({"heron-01": "SN-1"}, T0)
    store.pin({"heron-01": "SN-2", "heron-02": "SN-3"}, T0)
    assert store.identities() == {"heron-01": "SN-1", "heron-02": "SN-3"}
    assert store.unpin("heron-01")
    assert not store.unpin("heron-01")
    assert store.identities() == {"heron-02": "SN-3"}


def test_last_run(store: Store) -> None:
    store.add_run(Run(name="report", at=T0, detail="2026-W47"))
    store.add_run(Run(name="report", at=T0 + HOUR, detail="2026-W48"))
    assert store.last_run("report") == Run(name="report", at=T0 + HOUR, detail="2026-W48")


def test_duckdb_draws_no_progress_bar_of_its_own(store: Store) -> None:
    with store.database.reading() as con:
        assert con.execute("SELECT current_setting('enable_progress_bar')").fetchone() == (False,)


def test_slices_come_in_the_order_of_storing(store: Store, reading: MakeReading) -> None:
    store.add_readings([reading(hours=5, seed=5), reading(hours=1, seed=1)])
    store.add_readings([reading(hours=3, seed=3)])
    taken = [(found.taken_at - T0) // HOUR for found in store.reading_slice(0, 9)]
    assert sorted(taken[:2]) == [1, 5]
    assert taken[2] == 3
    assert len(store.reading_slice(1, 2)) == 1


def test_spans_out_of_service_are_kept_when_they_have_ended(store: Store) -> None:
    store.take_out(OutOfService(machine="heron-01", since=T0, reason="belt", until=T0 + 10 * HOUR))
    store.bring_back("heron-01", T0 + 2 * HOUR)
    store.take_out(OutOfService(machine="heron-01", since=T0 + 5 * HOUR, reason="bed"))
    store.take_out(OutOfService(machine="heron-02", since=T0, reason="fan", until=T0 + HOUR))
    found = store.spans_out(T0 + 6 * HOUR)
    assert [(span.since, span.until) for span in found["heron-01"]] == [
        (T0, T0 + 2 * HOUR),
        (T0 + 5 * HOUR, None),
    ]
    assert [(span.since, span.until) for span in found["heron-02"]] == [(T0, T0 + HOUR)]
    assert store.spans_out(T0 - HOUR) == {}
