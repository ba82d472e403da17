"""Whose files they are: a command never leaves what the database's owner, the service, could not write."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest

from farmwatch.history import Reading
from farmwatch.store import Store, refuse_foreign
from farmwatch.store.errors import StoreForeign

MakeReading = Callable[..., Reading]
ME = os.geteuid()
# Numbers that no user of a computer is likely to bear.
SOMEBODY, SOMEBODY_ELSE = 64_001, 64_002


def owned(monkeypatch: pytest.MonkeyPatch, owners: dict[Path, int], me: int) -> None:
    """Let these places belong to these users, and this process to `me`: only root could make it so in earnest."""
    real = Path.stat

    def stat(path: Path, **more: bool) -> os.stat_result:
        found = real(path, **more)
        return os.stat_result((*found[:4], owners.get(path, found.st_uid), *found[5:10]))

    monkeypatch.setattr(Path, "stat", stat)
    monkeypatch.setattr("farmwatch.store.files.os.geteuid", lambda: me)


@pytest.mark.parametrize(
    ("owner", "me", "refused"),
    [
        (SOMEBODY, SOMEBODY, False),
        (SOMEBODY, SOMEBODY_ELSE, True),
        (SOMEBODY, 0, True),
        (0, 0, False),
        # Root, as a service, can write whatever anybody leaves.
        (0, SOMEBODY, False),
    ],
)
def test_a_database_of_somebody_else_is_refused_and_its_owner_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, owner: int, me: int, refused: bool
) -> None:
    path = tmp_path / "farm.duckdb"
    path.touch()
    owned(monkeypatch, {path: owner}, me)
    if not refused:
        refuse_foreign(path)
        return
    with pytest.raises(StoreForeign, match=f"belongs to #{owner}, who could not write what") as told:
        refuse_foreign(path)
    assert told.value.owner == f"#{owner}"


@pytest.mark.parametrize(("me", "refused"), [(0, True), (SOMEBODY_ELSE, False), (SOMEBODY, False)])
def test_root_makes_no_database_in_the_folder_of_somebody(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, me: int, refused: bool
) -> None:
    owned(monkeypatch, {tmp_path: SOMEBODY}, me)
    if refused:
        with pytest.raises(StoreForeign):
            refuse_foreign(tmp_path / "farm.duckdb")
    else:
        refuse_foreign(tmp_path / "farm.duckdb")
    refuse_foreign(tmp_path / "no such folder" / "farm.duckdb")


def test_what_is_refused_to_be_written_may_be_read(
    store: Store, reading: MakeReading, monkeypatch: pytest.MonkeyPatch
) -> None:
    store.add_readings([reading()])
    before = store.path.read_bytes()
    owned(monkeypatch, {store.path: SOMEBODY}, SOMEBODY_ELSE)
    assert Store(store.path).reading_count() == 1
    with pytest.raises(StoreForeign):
        Store(store.path).add_readings([reading(hours=1, seed=1)])
    assert store.path.read_bytes() == before
    assert [entry.name for entry in store.path.parent.iterdir()] == [store.path.name]


@pytest.mark.skipif(ME != 0, reason="only root can give a file away; the tests above stand in")
def test_in_earnest_root_is_refused_the_database_of_another_user(store: Store, reading: MakeReading) -> None:
    store.add_readings([reading()])
    os.chown(store.path, 65534, -1)
    with pytest.raises(StoreForeign, match="could not write what root would leave there"):
        Store(store.path).add_readings([reading(hours=1, seed=1)])
    assert Store(store.path).reading_count() == 1
