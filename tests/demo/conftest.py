"""One demo, played once for all tests that look at it."""

from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from farmwatch.demo.run import DemoResult


WEEKS = 13
MACHINES = 27
# A Thursday: the report is of Monday the 23rd.
NOW = datetime(2026, 11, 26, 10, 0, tzinfo=UTC)


@dataclass(frozen=True)
class Played:
    folder: Path
    result: "DemoResult"
    weeks: int
    machines: int
    end: datetime
    now: datetime
    progress: list[tuple[int, int]]


@pytest.fixture(scope="session")
def played(tmp_path_factory: pytest.TempPathFactory) -> Played:
    # Here, so that the tests of the beds and histories need no database.
    from farmwatch.demo.run import last_monday, run_demo

    folder = tmp_path_factory.mktemp("demo")
    progress: list[tuple[int, int]] = []
    result = run_demo(
        folder, WEEKS, MACHINES, seed=1, now=NOW, progress=lambda done, total: progress.append((done, total))
    )
    return Played(folder, result, WEEKS, MACHINES, last_monday(NOW), NOW, progress)
