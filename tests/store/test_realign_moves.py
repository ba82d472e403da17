"""Moves of realignments, and who attends to a machine."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from farmwatch.store import Move, Store
from farmwatch.store.records import Claim

AT = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)
MOVE = Move(
    machine="heron-01", ticket=1, at=AT, by="technician", screw="front-right", teeth=1, mm=0.4, before_at=AT,
    range_before_mm=0.8,
)  # fmt: skip
SEEN = replace(MOVE, after_at=AT + timedelta(minutes=8), moved_mm=0.39, moved_sd_mm=0.01, range_after_mm=0.2)


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return Store(tmp_path / "farm.duckdb")


def test_what_was_seen_takes_the_place_of_what_was_to_come(store: Store) -> None:
    other = replace(MOVE, machine="heron-02")
    store.add_moves([MOVE, other])
    assert store.moves(["heron-01"]) == [MOVE]
    store.finish_moves("heron-01", [SEEN])
    assert store.moves() == [other, SEEN]
    assert store.moves(until=AT - timedelta(seconds=1)) == []


def test_a_machine_is_attended_to_by_one_session_until_it_is_silent(store: Store) -> None:
    first = Claim(machine="heron-01", session="a", by="first", since=AT, seen_at=AT)
    second = Claim(machine="heron-01", session="b", by="second", since=AT, seen_at=AT + timedelta(seconds=60))
    assert store.claim(first) is None
    assert store.claim(second) == first
    assert store.claims(AT + timedelta(seconds=60)) == {"heron-01": first}
    late = replace(second, seen_at=AT + timedelta(minutes=3))
    assert store.claims(late.seen_at) == {}
    assert store.claim(late) is None
    store.leave("heron-01", "a")
    assert list(store.claims(late.seen_at)) == ["heron-01"]
    store.leave("heron-01", "b")
    assert store.claims(late.seen_at) == {}


def test_what_a_move_did_is_not_told_by_meshes_of_another_mapping(store: Store) -> None:
    seen = replace(MOVE, after_at=MOVE.at, moved_mm=0.4, moved_sd_mm=0.01, range_after_mm=0.1, read_by="mirrored")
    store.add_moves([seen])
    for read_by in ({}, {"heron-01": "mirrored"}, {"plover-01": "right"}):
        assert store.moves(read_by=read_by) == [seen]
    (found,) = store.moves(read_by={"heron-01": "right"})
    assert found == replace(seen, moved_mm=None, moved_sd_mm=None, range_after_mm=None)
