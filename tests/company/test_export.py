"""A site's share of the lake: only what has changed is written, nothing counts before its manifest says so."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path
from typing import Any

import duckdb
import orjson
import pytest

from farmwatch.company.manifest import MANIFEST, Manifest, folder_of
from farmwatch.company.parts import MOST_PARTS
from farmwatch.company.place import Folder, PlaceFails, open_place
from farmwatch.errors import FarmwatchError, InputError
from farmwatch.history import Note
from farmwatch.store.records import Run
from tests.company.lakes import EXPORTED_AT, SITES, Farm, a_farm, tilted
from tests.farm import NOW

SITE = SITES[0]
HERE = folder_of(SITE)


@pytest.fixture
def farm(tmp_path: Path, new_database: bytes) -> Farm:
    return a_farm(tmp_path / "farm", new_database, SITE, {"heron-01": 0.3, "heron-02": 0.05})


@pytest.fixture
def lake(tmp_path: Path) -> Path:
    return tmp_path / "lake"


def manifest(lake: Path | str) -> Manifest:
    return Manifest.read(open_place(str(lake)).read(f"{HERE}/{MANIFEST}"))


def files(lake: Path) -> dict[str, bytes]:
    return {str(path.relative_to(lake)): path.read_bytes() for path in lake.rglob("*") if path.is_file()}


def stored(lake: Path) -> list[tuple[Any, ...]]:
    """Every reading that counts, as a program that only knows the manifest reads it."""
    named = [str(lake / HERE / part.path) for part in manifest(lake).readings]
    with duckdb.connect() as con:
        return con.execute(
            "SELECT machine, epoch_us(taken_at), heights, plate FROM read_parquet($1) ORDER BY ALL", [named]
        ).fetchall()


def kept(farm: Farm) -> list[tuple[Any, ...]]:
    with farm.store.database.reading() as con:
        return con.execute("SELECT machine, epoch_us(taken_at), heights, plate FROM readings ORDER BY ALL").fetchall()


def test_the_lake_holds_what_the_farm_holds_by_site_and_month(farm, lake):
    found = farm.export(lake)
    assert (found.site, found.readings) == (SITE, 80)
    assert stored(lake) == kept(farm)
    months = {part.month for part in manifest(lake).readings}
    assert months == {"2026-10", "2026-11"}
    assert all(path.startswith(HERE) for path in files(lake))
    assert all(f"/readings/month={m}/" in "".join(files(lake)) for m in months)


def test_the_same_again_writes_nothing_but_the_time(farm, lake):
    farm.export(lake)
    before = files(lake)
    assert farm.export(lake, EXPORTED_AT + timedelta(days=1)).written == 0
    after = files(lake)
    assert {p: b for p, b in after.items() if MANIFEST not in p} == {
        p: b for p, b in before.items() if MANIFEST not in p
    }


@pytest.mark.long
def test_what_is_new_makes_a_part_of_its_own_and_many_parts_are_joined(farm, lake):
    farm.export(lake)
    first = {part.path for part in manifest(lake).readings}
    for day in range(3):
        farm.store.add_readings(tilted("heron-01", 0.3, [day], seed=500 + day))
        assert farm.export(lake, EXPORTED_AT + timedelta(days=day)).written >= 1
        assert first < {part.path for part in manifest(lake).readings}
        assert stored(lake) == kept(farm)
    assert [part.rows for part in manifest(lake).readings if part.month == "2026-11"][1:] == [1, 1, 1]
    for day in range(3, 10):
        farm.store.add_readings(tilted("heron-01", 0.3, [day / 2 + 1.75], seed=500 + day))
        farm.export(lake, EXPORTED_AT + timedelta(days=day))
        assert len([part for part in manifest(lake).readings if part.month == "2026-11"]) <= MOST_PARTS
        assert stored(lake) == kept(farm)
    # Files that no manifest names are gone after one more round.
    farm.export(lake, EXPORTED_AT + timedelta(days=20))
    named = {f"{HERE}/{file.path}" for file in manifest(lake).files}
    assert set(files(lake)) == named | {f"{HERE}/{MANIFEST}"}


def test_a_reading_that_came_late_or_was_changed_is_told_anew(farm, lake):
    farm.export(lake)
    late = tilted("heron-02", 0.05, [-60.0])[0]
    farm.store.add_readings([late])
    with farm.store.database.writing() as con:
        con.execute("UPDATE readings SET plate = 'B', digest = digest || 'x' WHERE machine = 'heron-01'")
        con.execute("UPDATE readings SET machine = 'heron-03' WHERE machine = 'heron-02' AND plate = 'A'")
    farm.export(lake)
    assert stored(lake) == kept(farm)


@pytest.mark.parametrize("nth", [0, 2, 9])
def test_a_run_that_ends_anywhere_leaves_what_was_complete(farm, lake, monkeypatch, nth):
    farm.export(lake)
    complete = stored(lake)
    farm.store.add_readings(tilted("heron-01", 0.3, [-90.0, -60.0, -30.5, 0.5, 1.0], seed=77))
    farm.store.add_note(Note(machine="heron-01", at=NOW, what="belt"))
    puts = iter(range(1000))
    whole = Folder.writing

    def failing(self: Folder, path: str) -> Any:
        if next(puts) == nth:
            raise PlaceFails("the line is cut")
        return whole(self, path)

    with monkeypatch.context() as cut:
        cut.setattr(Folder, "writing", failing)
        try:
            farm.export(lake)
        except PlaceFails:
            assert stored(lake) == complete
    farm.export(lake)
    assert stored(lake) == kept(farm)


def test_a_file_that_was_cut_off_or_lost_since_is_written_again(farm, lake):
    farm.export(lake)
    parts = sorted((lake / HERE).rglob("part-*.parquet"))
    parts[0].write_bytes(parts[0].read_bytes()[:100])
    parts[1].unlink()
    assert farm.export(lake).written == 2
    assert stored(lake) == kept(farm)


def test_what_is_not_ours_is_left_alone(farm, lake):
    farm.export(lake)
    other = lake / HERE / "readings" / "month=2026-11" / "somebody.txt"
    other.write_text("mine")
    farm.export(lake)
    assert other.read_text() == "mine"


def test_another_farm_does_not_write_over_a_site(farm, lake, tmp_path, new_database):
    farm.export(lake)
    other = a_farm(tmp_path / "other", new_database, SITE, {"plover-01": 0.1}, days=range(-3, 0))
    with pytest.raises(InputError, match=r"another farm's database .*\[site\] name.*--take-over"):
        other.export(lake)
    assert stored(lake) == kept(farm)
    other.export(lake, take_over=True)
    assert stored(lake) == kept(other)


def test_a_lake_of_a_newer_farmwatch_is_not_written_over(farm, lake):
    farm.export(lake)
    path = lake / HERE / MANIFEST
    path.write_bytes(path.read_bytes().replace(b"farmwatch.lake/1", b"farmwatch.lake/2"))
    with pytest.raises(InputError, match=r"farmwatch.lake/2.*install the newer"):
        farm.export(lake)


def test_who_people_are_and_what_they_wrote_stays_on_the_farm(farm, lake):
    farm.store.add_note(Note(machine="heron-01", at=NOW, what="belt", by="Wren", text="Wren saw it"))
    farm.store.add_run(Run(name="report", at=NOW, detail="Wren"))
    with farm.store.database.writing() as con:
        con.execute("INSERT INTO ticket_events VALUES (1, now(), 'open', NULL, 'proposed', 'Wren', 'Wren says so')")
        con.execute("INSERT INTO ticket_events VALUES (1, now(), 'prove', NULL, 'proven', 'farmwatch', 'held')")
    farm.export(lake)
    named = manifest(lake).tables
    with duckdb.connect() as con:
        said = {
            name: con.execute("FROM read_parquet($1)", [str(lake / HERE / file.path)]).fetchall()
            for name, file in named.items()
        }
    assert "Wren" not in str(said)
    assert "held" in str(said["ticket_events"])
    assert b"Wren" not in b"".join(files(lake).values())


def test_the_manifest_is_plain_json_with_its_version(farm, lake):
    farm.export(lake)
    document = orjson.loads((lake / HERE / MANIFEST).read_bytes())
    assert document["schema"] == "farmwatch.lake/1"
    assert (document["site"], document["timezone"]) == (SITE, "Europe/Dublin")
    assert {"machines", "models", "screws", "grids", "notes", "tickets", "ticket_events", "realign_moves", "polls",
            "answers", "out_of_service", "drift_priors"} == set(document["tables"])  # fmt: skip


def test_a_lake_behind_a_url(farm):
    fsspec = pytest.importorskip("fsspec")
    url = "memory://lake-of-the-works"
    farm.export(url)
    assert farm.export(url).written == 0
    farm.store.add_readings(tilted("heron-01", 0.3, [1.0], seed=5))
    farm.export(url)
    farm.export(url)
    found = {
        path.rpartition("/lake-of-the-works/")[2] for path in fsspec.filesystem("memory").find("/lake-of-the-works")
    }
    assert found == {f"{HERE}/{file.path}" for file in manifest(url).files} | {f"{HERE}/{MANIFEST}"}


@pytest.mark.parametrize(
    ("url", "said"),
    [
        ("s3://me:hunter2@bucket/lake", "without user, password or query"),
        ("https://h.example/lake?sig=hunter2", "without user, password or query"),
        ("file://far.example/lake", "wanted file:///"),
        ("nosuchthing://bucket", "cannot be opened"),
    ],
)
def test_an_address_that_is_none_is_refused_and_no_secret_said(url, said):
    with pytest.raises(FarmwatchError, match=said) as refused:
        open_place(url)
    assert "hunter2" not in str(refused.value)


def test_a_folder_that_cannot_be_made_is_said(farm, tmp_path):
    (tmp_path / "file").write_text("x")
    with pytest.raises(PlaceFails):
        farm.export(tmp_path / "file" / "lake")


def test_what_was_set_aside_leaves_the_lake_and_comes_back(farm, lake):
    farm.export(lake)
    everything = stored(lake)
    span = (NOW - timedelta(days=5), NOW)
    farm.store.set_aside("readings", "heron-01", span, why="probe was loose", by="bench 2", at=NOW)
    farm.export(lake)
    assert len(stored(lake)) == len(everything) - 4
    farm.store.put_back_in("readings", "heron-01", span, by="bench 2", at=NOW)
    farm.export(lake)
    assert stored(lake) == everything
