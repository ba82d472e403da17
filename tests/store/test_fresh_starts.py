"""A process that opens the database for months: DuckDB is started anew now and then, and nobody notices."""

from pathlib import Path

import duckdb
import pytest

from farmwatch.store import PollRecord, Store
from farmwatch.store import engine as module
from tests.service.farm import NOW


def test_after_so_many_opens_the_engine_is_another_and_the_data_the_same(tmp_path: Path, monkeypatch) -> None:
    monkeypatch.setattr(module, "_OPENS_BY_ONE_START", 3)
    store = Store(tmp_path / "farm.duckdb")
    engines = set()
    written = []
    for number in range(10):
        store.add_round((), [PollRecord(machine=f"heron-{number}", at=NOW, outcome="same")])
        written.append(store.database._engine._con)
        engines.add(id(store.database._engine._con))
    assert len(engines) >= 3
    assert len(store.last_answers()) == 10


def test_an_engine_that_is_stopped_lets_go_of_its_file(tmp_path: Path) -> None:
    store = Store(tmp_path / "farm.duckdb")
    store.check()
    engine = store.database._engine
    con = engine._con
    assert con is not None
    engine.stop()
    with pytest.raises(duckdb.ConnectionException):
        con.execute("SELECT 1")
    assert engine.connection() is not con
