"""The product-limit estimate against a published table and an independent library."""

import tomllib
from pathlib import Path

import hypothesis.strategies as st
import numpy as np
import pytest
from hypothesis import given, settings

from farmwatch.tickets.durability import kaplan_meier

REFERENCE = Path(__file__).parents[1] / "reference" / "remission_1963.toml"


def test_the_remission_data_give_the_published_table() -> None:
    """Freireich et al. 1963, as tabulated by Klein & Moeschberger 2003, Table 4.1A."""
    data = tomllib.loads(REFERENCE.read_text(encoding="utf-8"))
    found = kaplan_meier(data["weeks"], data["ended"])
    published = data["published"]
    assert found.time.tolist() == published["time"]
    assert found.at_risk.tolist() == published["at_risk"]
    np.testing.assert_allclose(found.survival, published["survival"], atol=5.1e-4)
    np.testing.assert_allclose(found.sd, published["sd"], atol=5.1e-5)
    assert found.median == published["median"]
    assert found.n == 21


@pytest.mark.filterwarnings("ignore")
@settings(max_examples=15, deadline=None)
@given(st.lists(st.tuples(st.integers(1, 30), st.booleans()), min_size=1, max_size=60))
def test_it_equals_an_independent_library(rows: list[tuple[int, bool]]) -> None:
    """C. Davidson-Pilon, lifelines: survival analysis in Python, 2019."""
    lifelines = pytest.importorskip("lifelines")
    days, ended = zip(*rows, strict=True)
    found = kaplan_meier(days, ended)
    peer = lifelines.KaplanMeierFitter().fit(days, ended).survival_function_["KM_estimate"]
    for time, survival in zip(found.time, found.survival, strict=True):
        assert survival == pytest.approx(peer.loc[time], abs=1e-12)
    assert found.at(0.5) == 1.0
    bounds = lifelines.KaplanMeierFitter().fit(days, ended).confidence_interval_survival_function_
    for time, share, low, high in found.stair():
        if 0 < share < 1:
            assert (low, high) == pytest.approx(tuple(bounds.loc[time]), abs=1e-6)
        else:
            assert (low, high) == (0.0, 1.0)


def test_without_an_event_everything_survives() -> None:
    """Censored times alone say nothing of a median."""
    found = kaplan_meier([3.0, 4.0], [False, False])
    assert found.median is None
    assert found.at(100.0) == 1.0


@pytest.mark.parametrize(
    ("days", "ended"), [([1.0, 2.0], [True]), ([-1.0], [True]), ([float("nan")], [False]), ([[1.0]], [[True]])]
)
def test_what_is_no_duration_is_refused(days: list[float], ended: list[bool]) -> None:
    with pytest.raises(ValueError, match="durations"):
        kaplan_meier(days, ended)
