"""What tests of several parts share."""

import pytest


@pytest.fixture(scope="session")
def new_database(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """A database just made, for the tests whose matter is not how one is made."""
    # Here, so that tests of what is pure load no database.
    from farmwatch.store import Store

    path = tmp_path_factory.mktemp("new") / "farm.duckdb"
    Store(path).check()
    return path.read_bytes()
