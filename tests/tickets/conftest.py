"""A new book for every test."""

from pathlib import Path

import pytest

from farmwatch.store import Store


@pytest.fixture
def store(tmp_path: Path, new_database: bytes) -> Store:
    (tmp_path / "farm.duckdb").write_bytes(new_database)
    return Store(tmp_path / "farm.duckdb")
