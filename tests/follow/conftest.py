"""Shared by the tests of following: the published data, and machines of the invented farm."""

import tomllib
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from farmwatch.follow.findings import HistoryFindings
from farmwatch.follow.fleet import follow_fleet
from farmwatch.follow.segmented import SegmentedBatch, segment_machines
from farmwatch.follow.series import gather
from farmwatch.history import History
from farmwatch.measure import measure_histories
from farmwatch.model import Limits, Model
from tests.synthetic import Recipe, Synthetic, make_history, tideframe

REFERENCE = Path(__file__).parent.parent / "reference"


@pytest.fixture
def published() -> Callable[[str], dict[str, Any]]:
    def read(name: str) -> dict[str, Any]:
        return tomllib.loads((REFERENCE / f"{name}.toml").read_text(encoding="utf-8"))

    return read


@pytest.fixture
def nile() -> np.ndarray:
    """Annual flow of the Nile at Aswan, 1871 to 1970 (source in the file)."""
    return np.loadtxt(REFERENCE / "nile.csv", delimiter=",", skiprows=2)[:, 1]


@pytest.fixture
def play() -> Callable[..., Synthetic]:
    def make(seed: int = 1, model: Model | None = None, **recipe: Any) -> Synthetic:
        return make_history("heron-01", model or tideframe(), Recipe(**recipe), np.random.default_rng(seed))

    return make


@pytest.fixture
def follow() -> Callable[..., HistoryFindings]:
    """Follow a history at the time of its last reading, or at `at`."""

    def run(
        made: Synthetic | History,
        model: Model | None = None,
        at: datetime | None = None,
        tooth: tuple[float | None, float | None] = (None, None),
    ) -> HistoryFindings:
        history, model = _asked(made, model)
        if at is None:
            at = datetime.fromtimestamp(float(history.taken_at[-1]), UTC)
        rngs = [np.random.default_rng(7)]
        return follow_fleet(measure_histories([history], [model], at), Limits(), at, rngs, tooth_steps=[tooth])[0]

    return run


@pytest.fixture
def segmented() -> Callable[..., SegmentedBatch]:
    """One machine's readings as they are followed: noise, bands and segments, up to its last reading."""

    def run(made: Synthetic | History, model: Model | None = None) -> SegmentedBatch:
        history, model = _asked(made, model)
        at = datetime.fromtimestamp(float(history.taken_at[-1]), UTC)
        return segment_machines(gather(measure_histories([history], [model], at)))

    return run


def _asked(made: Synthetic | History, model: Model | None) -> tuple[History, Model]:
    if isinstance(made, Synthetic):
        return made.history, model or made.truth.model
    return made, model or tideframe()
