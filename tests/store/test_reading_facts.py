"""Every fact that a reading carries has its row, its column and its place in every file."""

from __future__ import annotations

from dataclasses import fields
from datetime import timedelta

import duckdb
import pytest

from farmwatch.exchange import Form, export_readings, import_files
from farmwatch.history import Reading
from farmwatch.store import Store
from farmwatch.store.reading_facts import FACTS, KEYS, LineRefused
from tests.farm import NOW, bed, reading

_NAMES = [fact.name for fact in FACTS]


def test_every_field_of_a_reading_has_a_row() -> None:
    assert {field.name for field in fields(Reading)} == {"machine", "taken_at", "mesh", "answer", *_NAMES}
    assert {*_NAMES, "machine", "taken_at", "x", "y", "heights"} == KEYS


def test_every_row_has_a_column(store: Store) -> None:
    with store.database.reading() as con:
        columns = {name for name, *_ in con.execute("DESCRIBE readings").fetchall()}
    assert columns >= set(_NAMES)


@pytest.mark.parametrize("form", ["ndjson", "csv", "parquet"])
def test_every_fact_goes_out_and_comes_in_again(store: Store, form: Form) -> None:
    odd = {
        "bed_celsius": 61.5, "plate": "B", "seen_at": NOW + timedelta(minutes=3), "time_from": "seen",
        "celsius_is": "now", "during_work": True, "read_by": "0123456789abcdef", "set_aside": "the probe was loose",
    }  # fmt: skip
    # A new fact stands here with a value that no import would give it by itself.
    assert set(odd) == set(_NAMES)
    store.add_readings([reading(bed(noise_mm=0.01), **odd)])
    (file,) = export_readings(store, store.path.parent / "out", form).files
    if form == "parquet":
        exported = duckdb.execute("DESCRIBE SELECT * FROM read_parquet(?)", [str(file)]).fetchall()
        assert {name for name, *_ in exported} >= set(_NAMES)
    again = Store(store.path.parent / "again.duckdb")
    assert import_files(again, [file], ["heron-01"], NOW + timedelta(days=1)).stored == 1
    (found,) = again.reading_slice(0, 1)
    assert {name: getattr(found, name) for name in _NAMES} == odd


@pytest.mark.parametrize(("celsius", "is_taken"), [(-60.0, True), (500.0, True), (-60.1, False), (500.1, False)])
def test_the_ends_of_what_a_bed_can_be_count(celsius: float, is_taken: bool) -> None:
    fact = next(fact for fact in FACTS if fact.name == "bed_celsius")
    if is_taken:
        assert fact.read({"bed_celsius": celsius}, "bed_celsius") == celsius
    else:
        with pytest.raises(LineRefused, match="no bed is at"):
            fact.read({"bed_celsius": celsius}, "bed_celsius")
