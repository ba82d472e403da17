"""A sound configuration to spoil, one line at a time."""

from collections.abc import Callable
from pathlib import Path

import pytest

SOUND = """\
[farm]
name = "Saltmarsh Tidegate Works"
timezone = "Europe/Dublin"
database = "farmwatch.duckdb"
reports = "reports"

[limits]
usable_mm = 0.20

[poll]
every_minutes = 30

[models.tideframe-220]
lead_mm = 8.0
bed = [0, 0, 220, 220]
screws = [
  { name = "front-left", at = [20, 10] },
  { name = "front-right", at = [200, 10] },
  { name = "rear", at = [110, 215], reference = true },
]

[mappings.survey-rows]
path = "/v1/survey/latest"
heights = "$.survey.grid"
x = "$.survey.x"
y = [10, 210]
headers = { "X-Shop-Key" = "env:SHOP_KEY" }

[[machines]]
name = "heron-01"
model = "tideframe-220"
mapping = "survey-rows"
address = "http://10.20.1.11"
"""


@pytest.fixture(scope="session")
def sound() -> str:
    return SOUND


@pytest.fixture
def write(tmp_path: Path) -> Callable[..., Path]:
    """Write a config.toml into an empty folder and say where it is."""

    def put(text: str, name: str = "config.toml") -> Path:
        path = tmp_path / name
        path.write_text(text, encoding="utf-8")
        return path

    return put
