"""The night's copies: whole, the newest eight kept, and nothing else ever removed."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import duckdb
import pytest

from farmwatch.errors import FarmwatchError
from farmwatch.service.jobs import back_up, backups
from farmwatch.store import Store

NIGHT = datetime(2026, 11, 23, 3, 30, tzinfo=UTC)
DAY = timedelta(days=1)


@pytest.fixture
def store(tmp_path: Path) -> Store:
    found = Store(tmp_path / "farm.duckdb")
    found.check()
    return found


def test_eight_nights_are_kept_and_the_oldest_let_go(store: Store) -> None:
    made = [back_up(store, NIGHT + number * DAY)[0] for number in range(10)]
    assert backups(store.path) == made[2:]
    assert [path.exists() for path in made] == [False] * 2 + [True] * 8
    assert made[0].name == "farm-20261123T033000Z.duckdb"
    assert made[0].parent == store.path.parent / "backups"


def test_what_is_not_a_copy_of_this_database_stays(store: Store) -> None:
    first, _ = back_up(store, NIGHT)
    others = [first.with_name(name) for name in ("farm.duckdb", "other-20200101T000000Z.duckdb", "farm-old.duckdb")]
    for other in others:
        other.write_text("mine")
    for number in range(1, 12):
        back_up(store, NIGHT + number * DAY)
    assert all(other.read_text() == "mine" for other in others)
    assert len(backups(store.path)) == 8


def test_a_clock_set_back_does_not_cost_the_copy_just_made(store: Store) -> None:
    for number in range(8):
        back_up(store, NIGHT + number * DAY)
    made, _ = back_up(store, NIGHT - 300 * DAY)
    assert made.exists()
    assert len(backups(store.path)) == 8


def test_a_copy_that_fails_costs_none_of_the_old_ones(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    made = [back_up(store, NIGHT + number * DAY)[0] for number in range(8)]

    def full(*_: object) -> int:
        raise FarmwatchError("no room is left on the disk")

    monkeypatch.setattr(Store, "backup", full)
    with pytest.raises(FarmwatchError, match="no room"):
        back_up(store, NIGHT + 9 * DAY)
    assert backups(store.path) == made


def test_a_folder_that_cannot_be_made_is_said(store: Store) -> None:
    store.path.with_name("backups").write_text("in the way")
    with pytest.raises(FarmwatchError, match="backups"):
        back_up(store, NIGHT)


def test_another_program_reads_a_copy(store: Store) -> None:
    made, readings = back_up(store, NIGHT)
    with duckdb.connect(str(made), read_only=True) as con:
        assert con.execute("SELECT count(*) FROM readings").fetchone() == (readings,)
