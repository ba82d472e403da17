"""The demo's batches: the store ends up with what single rounds would have left."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from farmwatch.demo.weekly import ROUNDS_A_BATCH, WeeklyStore
from farmwatch.history import Reading
from farmwatch.mesh import Mesh
from farmwatch.store import PollRecord, Store

START = datetime(2026, 11, 2, 6, tzinfo=UTC)


def _reading(day: float, height: float = 0.0, machine: str = "heron-01") -> Reading:
    at = START + timedelta(days=day)
    z = np.zeros((3, 3))
    z[1, 1] = height
    mesh = Mesh.accept([10, 110, 210], [10, 110, 210], z)
    return Reading(machine=machine, taken_at=at, seen_at=at, time_from="host", mesh=mesh)


def _record(day: float) -> PollRecord:
    return PollRecord(machine="heron-01", at=START + timedelta(days=day), outcome="new")


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return Store(tmp_path / "farm.duckdb")


def test_rounds_are_stored_together_after_a_week_and_the_rest_on_flush(store: Store) -> None:
    weekly = WeeklyStore(store)
    for day in range(ROUNDS_A_BATCH + 1):
        if day < ROUNDS_A_BATCH:
            assert store.reading_count() == 0
        assert weekly.add_round([_reading(day, 0.01 * day)], [_record(day)]) == 1
    assert store.reading_count() == ROUNDS_A_BATCH
    weekly.flush()
    assert store.reading_count() == ROUNDS_A_BATCH + 1
    assert len(store.polls(START, START + timedelta(days=30))) == ROUNDS_A_BATCH + 1


def test_what_is_not_stored_yet_is_known_already(store: Store) -> None:
    weekly = WeeklyStore(store)
    reading = _reading(1, 0.03)
    weekly.add_round([reading], [_record(1)])
    last = weekly.last_digests()["heron-01"]
    assert (last.taken_at, last.digest) == (reading.taken_at, reading.mesh.digest())
    weekly.flush()
    assert weekly.last_digests() == store.last_digests()
    assert weekly.last_answers() == store.last_answers()


def test_a_mesh_of_the_past_is_left_to_the_store(store: Store) -> None:
    weekly = WeeklyStore(store)
    weekly.add_round([_reading(1, 0.01)], [])
    weekly.add_round([_reading(2, 0.02)], [])
    assert weekly.add_round([_reading(1, 0.01)], []) == 0
    assert weekly.add_round([_reading(1.5, 0.03)], []) == 1
    assert store.reading_count() == 3


def test_identities_are_pinned_once(store: Store) -> None:
    weekly = WeeklyStore(store)
    weekly.pin({"heron-01": "saltmarsh/heron-01"}, START)
    weekly.pin({"heron-01": "saltmarsh/heron-02", "plover-01": "saltmarsh/plover-01"}, START)
    wanted = {"heron-01": "saltmarsh/heron-01", "plover-01": "saltmarsh/plover-01"}
    assert weekly.identities() == store.identities() == wanted
