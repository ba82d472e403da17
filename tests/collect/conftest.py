"""Farms of one or a few machines for the tests of collect, and a store in memory."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from farmwatch.collect import Fetcher
from farmwatch.config import Farm, Machine, Mapping, Poll, Settings
from tests.collect.memory import FakeStore

NOW = datetime(2026, 11, 23, 6, 0, tzinfo=UTC)


@pytest.fixture
def now() -> datetime:
    return NOW


@pytest.fixture
def store() -> FakeStore:
    return FakeStore()


@pytest.fixture
def fetcher() -> Iterator[Fetcher]:
    with Fetcher(deadline_seconds=5.0, largest_answer=256 * 1024) as own:
        yield own


@pytest.fixture
def farm(tmp_path: Path) -> Any:
    """Builds settings: `farm({"heron-01": address}, heights="$.grid", ...)`; keywords go to the one mapping."""

    def build(addresses: dict[str, str | None], poll: dict[str, Any] | None = None, **mapping: Any) -> Settings:
        given = {"path": "/mesh", "heights": "$.grid", "x": (10.0, 110.0, 210.0), "y": (10.0, 110.0, 210.0), **mapping}
        return Settings(
            farm=Farm(
                name="Saltmarsh Tidegate Works",
                timezone=ZoneInfo("Europe/Dublin"),
                database=tmp_path / "farm.duckdb",
                reports=tmp_path,
            ),
            poll=Poll(deadline_seconds=5.0, largest_answer_kib=256).model_copy(update=poll or {}),
            models={},
            mappings={"survey": Mapping(name="survey", **given)},
            machines=tuple(
                Machine(name=name, model="tideframe-220", mapping="survey", **({"address": at} if at else {}))
                for name, at in addresses.items()
            ),
        )

    return build
