"""Readings to store, and an empty store."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from farmwatch.history import Reading
from farmwatch.mesh import Mesh
from farmwatch.store import Store

MakeReading = Callable[..., Reading]


def make_reading(machine: str = "heron-01", hours: float = 0.0, seed: int = 0, **changes: object) -> Reading:
    rng = np.random.default_rng(seed)
    x, y = np.array([10.0, 110.0, 210.0]), np.array([10.0, 80.0, 150.0, 210.0])
    z = rng.normal(0.0, 0.1, (4, 3))
    z[1, 1] = np.nan
    at = datetime(2026, 11, 23, 5, 58, 11, 123457, tzinfo=UTC) + timedelta(hours=hours)
    fields = {
        "machine": machine,
        "taken_at": at,
        "seen_at": at + timedelta(seconds=2),
        "time_from": "host",
        "mesh": Mesh.accept(x, y, z),
        "bed_celsius": 60.0,
        "plate": "A",
        **changes,
    }
    return Reading(**fields)  # type: ignore[arg-type]


@pytest.fixture
def reading() -> MakeReading:
    return make_reading


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return Store(tmp_path / "farm.duckdb", patience_seconds=5.0)
