"""The file of kept findings: gives back what was put there, and nothing else."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest

from farmwatch.findings import Finding, KeptFile, packed, unpacked
from farmwatch.findings import file as file_module
from farmwatch.findings.fingerprint import fingerprints
from farmwatch.sources import Known
from tests.test_assess import AT, farm

A, B = b"a" * 32, b"b" * 32


@pytest.fixture
def file(tmp_path: Path) -> KeptFile:
    database = tmp_path / "farmwatch.duckdb"
    database.touch()
    return KeptFile(database)


def test_it_gives_what_was_put_there_under_the_same_fingerprint_only(file):
    file.save({"heron-01": (A, b"one")})
    assert file.load({"heron-01": A}) == {"heron-01": b"one"}
    assert file.load({"heron-01": B, "heron-02": A}) == {}


def test_of_each_machine_the_newest_three_are_kept(file):
    marks = [bytes([k]) * 32 for k in range(4)]
    for mark in marks:
        file.save({"heron-01": (mark, mark)})
    assert [bool(file.load({"heron-01": mark})) for mark in marks] == [False, True, True, True]


def test_a_row_that_is_not_whole_is_not_there(file):
    file.save({"heron-01": (A, b"one"), "heron-02": (A, b"two")})
    with sqlite3.connect(file.path) as con:
        con.execute("UPDATE findings SET body = 'two' WHERE machine = 'heron-01'")
    assert file.load({"heron-01": A, "heron-02": A}) == {"heron-02": b"two"}


def test_a_damaged_file_is_begun_anew(file):
    file.path.write_bytes(b"no database at all" * 100)
    assert file.load({"heron-01": A}) == {}
    file.save({"heron-01": (A, b"one")})
    file.save({"heron-01": (A, b"one")})
    assert file.load({"heron-01": A}) == {"heron-01": b"one"}


def test_one_who_writes_holds_up_nobody(file, monkeypatch):
    monkeypatch.setattr(file_module, "_PATIENCE_SECONDS", 0.01)
    file.save({"heron-01": (A, b"one")})
    with sqlite3.connect(file.path) as con:
        con.execute("BEGIN IMMEDIATE")
        file.save({"heron-02": (A, b"two")})
        assert file.load({"heron-01": A, "heron-02": A}) == {"heron-01": b"one"}


def test_beside_the_database_of_another_user_nothing_is_written(file, monkeypatch):
    monkeypatch.setattr("os.geteuid", lambda: 12345)
    file.save({"heron-01": (A, b"one")})
    assert not file.path.exists()


def test_whatever_a_finding_rests_on_is_in_its_fingerprint(tmp_path):
    settings = farm(tmp_path, ["heron-01", "heron-02"], hosts=False)
    known = Known(histories={}, stamps={"heron-01": "1/2/3"})

    def mark(known=known, settings=settings, name="heron-01", following=True, learned=None):
        machines = [machine for machine in settings.machines if machine.name == name]
        return fingerprints(settings, machines, known, following=following, learned=learned or {})[name]

    other_model = farm(tmp_path, ["heron-01", "heron-02"], hosts=False)
    object.__setattr__(other_model.models["tideframe-220"], "probe_sigma_mm", 0.02)
    marks = {
        mark(),
        mark(name="heron-02"),
        mark(following=False),
        mark(learned={"tideframe-220": "slope"}),
        mark(settings=other_model),
        mark(Known(histories={}, stamps={"heron-01": "1/2/4"})),
        mark(Known(histories={}, stamps=known.stamps, out={"heron-01": ("span",)})),  # type: ignore[dict-item]
        mark(Known(histories={}, stamps=known.stamps, moves={"heron-01": ("move",)})),  # type: ignore[dict-item]
    }
    assert len(marks) == 8
    assert mark() == mark()


def test_bytes_that_are_no_finding_are_refused(tmp_path):
    model = farm(tmp_path, ["heron-01"], hosts=False).models["tideframe-220"]
    for body in (b"", b"{}", b"[99, 1]", b"[0, 1]", b"[1]", b"[-7]"):
        with pytest.raises((ValueError, TypeError, LookupError)):
            unpacked(body, model)


def test_numbers_that_json_does_not_know_come_back(tmp_path):
    model = farm(tmp_path, ["heron-01"], hosts=False).models["tideframe-220"]
    body = packed(Finding(said=None, crossings=None, since=-float("inf"), until=AT.timestamp(), borrowed_mm=None))  # type: ignore[arg-type]
    found = unpacked(body, model)
    assert (found.since, found.until) == (-float("inf"), AT.timestamp())
