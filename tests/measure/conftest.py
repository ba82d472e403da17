import csv
import tomllib
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

REFERENCE = Path(__file__).parents[1] / "reference"


def _table(name):
    lines = [line for line in (REFERENCE / f"{name}.csv").read_text().splitlines() if not line.startswith("#")]
    return list(csv.DictReader(lines))


def _numbers(name):
    rows = _table(name)
    return {key: np.array([float(row[key]) for row in rows]) for key in rows[0]}


def _facts(name):
    return tomllib.loads((REFERENCE / f"{name}.toml").read_text())


def _grid(name):
    return np.loadtxt(REFERENCE / f"{name}.csv", delimiter=",", comments="#")


@pytest.fixture(scope="session")
def reference():
    """Published data: table of rows, columns of numbers, facts (toml), grid of numbers."""
    return SimpleNamespace(table=_table, numbers=_numbers, facts=_facts, grid=_grid)


@pytest.fixture
def rng():
    return np.random.default_rng(20260301)
