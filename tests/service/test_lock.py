"""One service a database."""

import os
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

import pytest

from farmwatch.errors import FarmwatchError
from farmwatch.service.process import AlreadyRunning, only_one

NOW = datetime(2026, 11, 23, 6, 0, tzinfo=UTC)


def test_a_second_service_is_refused_and_told_of_the_first(tmp_path: Path) -> None:
    database = tmp_path / "farm.duckdb"
    with only_one(database, NOW), pytest.raises(AlreadyRunning) as told, only_one(database, NOW):
        pass
    assert f"process {os.getpid()} since 2026-11-23T06:00:00Z" in str(told.value)
    assert str(database) in str(told.value)
    with only_one(database, NOW):
        pass


def test_a_dead_process_holds_nothing(tmp_path: Path) -> None:
    code = (
        "import os, sys; from pathlib import Path; from datetime import UTC, datetime\n"
        "from farmwatch.service.process import only_one\n"
        "with only_one(Path(sys.argv[1]), datetime.now(UTC)): os.kill(os.getpid(), 9)"
    )
    database = tmp_path / "farm.duckdb"
    subprocess.run([sys.executable, "-c", code, str(database)], check=False, timeout=30)
    with only_one(database, NOW):
        pass


def test_a_folder_that_is_not_there_is_said(tmp_path: Path) -> None:
    with pytest.raises(FarmwatchError, match="cannot be made"), only_one(tmp_path / "no" / "farm.duckdb", NOW):
        pass
