"""What tests of several parts share."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from farmwatch.store import Store


@pytest.fixture(scope="session")
def new_database(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """A database just made, for the tests whose matter is not how one is made."""
    # Here, so that tests of what is pure load no database.
    from farmwatch.store import Store

    path = tmp_path_factory.mktemp("new") / "farmwatch.duckdb"
    Store(path).check()
    return path.read_bytes()


@pytest.fixture
def store(tmp_path: Path, new_database: bytes) -> Store:
    """An empty store of the test's own, `farmwatch.duckdb` in its folder."""
    from farmwatch.store import Store

    (tmp_path / "farmwatch.duckdb").write_bytes(new_database)
    return Store(tmp_path / "farmwatch.duckdb", patience_seconds=5.0)
