"""A new book for every test."""

from pathlib import Path

import pytest

from farmwatch.store import Store


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return Store(tmp_path / "farm.duckdb")
