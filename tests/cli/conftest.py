"""A small farm with a database, and a way to run the commands on it."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from farmwatch.cli import run
from farmwatch.config import load_settings
from farmwatch.history import Reading
from farmwatch.mesh import Mesh
from farmwatch.store import Store
from tests.farm import MODEL_TEXT

CONFIG = (
    """\
[farm]
name = "Saltmarsh Tidegate Works"
timezone = "Europe/Dublin"
database = "farmwatch.duckdb"
reports = "reports"

[poll]
deadline_seconds = 2

"""
    + MODEL_TEXT
    + """
[mappings.survey-rows]
path = "/v1/survey/latest"
heights = "$.survey.grid"
x = [10, 210]
y = [10, 210]

[[machines]]
name = "heron-01"
aisle = "heron"
model = "tideframe-220"

[[machines]]
name = "plover-01"
aisle = "plover"
model = "tideframe-220"

[[machines]]
name = '<b>[red]x[/red]'
model = "tideframe-220"
"""
)

NOW = datetime.now(UTC).replace(microsecond=0)
AXIS = np.linspace(10.0, 210.0, 7)


def bed(jump_mm: float = 0.0, seed: int = 0) -> Mesh:
    """A flat bed that lies `jump_mm` lower at the front right screw, with a little noise."""
    places = np.array([[1.0, 20.0, 10.0], [1.0, 200.0, 10.0], [1.0, 110.0, 215.0]])
    level, along_x, along_y = np.linalg.solve(places, [0.0, -jump_mm, 0.0])
    noise = np.random.default_rng(seed).normal(0.0, 0.004, (7, 7))
    return Mesh.accept(AXIS, AXIS, level + along_x * AXIS[None, :] + along_y * AXIS[:, None] + noise)


def reading(machine: str, days_ago: float, mesh: Mesh) -> Reading:
    at = NOW - timedelta(days=days_ago)
    return Reading(machine=machine, taken_at=at, seen_at=at, time_from="host", mesh=mesh, bed_celsius=60.0, plate="A")


@dataclass
class Farm:
    config: Path
    capture: pytest.CaptureFixture[str]

    def __call__(self, *arguments: str) -> tuple[int, str, str]:
        """Exit code, standard output and standard error of a command."""
        self.capture.readouterr()
        code = run(["--config", str(self.config), *arguments])
        out, err = self.capture.readouterr()
        return code, out, err

    @property
    def store(self) -> Store:
        return Store(load_settings(self.config).farm.database)


@pytest.fixture(scope="session")
def stored(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """The database: heron-01 ten days after a tooth jumped, plover-01 as it should be, the third never read."""
    path = tmp_path_factory.mktemp("farm") / "farmwatch.duckdb"
    rows = [reading("heron-01", day, bed(0.4 if day < 10 else 0.0, day)) for day in range(40, 0, -1)]
    rows += [reading("plover-01", day, bed(0.0, 100 + day)) for day in range(40, 0, -1)]
    Store(path).add_readings(rows)
    return path.read_bytes()


@pytest.fixture
def config(tmp_path: Path, stored: bytes, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The farm's configuration, with its database beside it."""
    monkeypatch.setenv("COLUMNS", "80")
    return place_farm(tmp_path, stored)


def place_farm(folder: Path, stored: bytes) -> Path:
    """Its configuration and its database, in a folder."""
    (folder / "config.toml").write_text(CONFIG)
    (folder / "farmwatch.duckdb").write_bytes(stored)
    return folder / "config.toml"


@pytest.fixture
def farm(config: Path, capsys: pytest.CaptureFixture[str]) -> Farm:
    return Farm(config, capsys)


@pytest.fixture
def spoil(farm: Farm) -> Callable[[str, str], None]:
    """Change a line of the farm's configuration."""

    def change(old: str, new: str) -> None:
        text = farm.config.read_text()
        assert old in text
        farm.config.write_text(text.replace(old, new, 1))

    return change
