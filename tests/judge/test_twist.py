"""One of four screws off the plane of the others, under a bed that follows it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from farmwatch.history import History
from farmwatch.judge.machine import judge_machine
from farmwatch.judge.twist import find_twist
from farmwatch.measure import grid_points
from farmwatch.mesh import Floats
from farmwatch.model import Limits, Screw
from tests.farm import model

AXIS = np.linspace(10.0, 210.0, 7)
X, Y = grid_points(AXIS, AXIS)
CORNERS = {"front-left": (15, 12), "front-right": (205, 12), "rear-right": (205, 208), "rear-left": (15, 208)}
STEP = 0.4
FOUR = replace(
    model(),
    screws=tuple(Screw(name=n, x_mm=x, y_mm=y, reference=n == "rear-left") for n, (x, y) in CORNERS.items()),
)


def follows(*lifts: float, noise: float = 0.008, seed: int = 1) -> Floats:
    """A bed that goes through its four screws, lifted by so many mm each, as a sheet held at its corners does."""
    u, v = (X - 15) / 190, (Y - 12) / 196
    shares = np.stack([(1 - u) * (1 - v), u * (1 - v), u * v, (1 - u) * v])
    return np.array(lifts) @ shares + np.random.default_rng(seed).normal(0.0, noise, X.size)


def found(z: Floats):
    return find_twist(z, AXIS, AXIS, FOUR, STEP, 0.008)


@pytest.mark.parametrize(
    ("lifts", "teeth"),
    [
        ((0.0, 0.0, 0.4, 0.0), (0, 0, -1, 0)),
        ((0.0, -0.8, 0.0, 0.0), (0, 2, 0, 0)),
        ((0.4, 0.0, 0.0, 0.0), (-1, 0, 0, 0)),
        # The reference itself: the others are brought to it.
        ((0.0, 0.0, 0.0, 0.4), (1, 1, 1, 0)),
        # One screw off, and the bed tilted besides.
        ((0.8, 0.8, 0.4, 0.0), (-2, -2, -1, 0)),
    ],
)
def test_which_screw_and_how_many_teeth(lifts, teeth) -> None:
    for seed in range(10):
        twist = found(follows(*lifts, seed=seed))
        assert twist is not None
        assert twist.teeth == teeth
        assert twist.range_mm < 0.06


@pytest.mark.parametrize(
    "lifts", [(0.4, 0.4, 0.0, 0.0), (0.0, 0.0, 0.0, 0.0), (0.4, 0.8, 0.4, 0.0), (0.0, 0.0, 0.1, 0.0)]
)
def test_a_plane_or_less_than_half_a_tooth_is_none(lifts) -> None:
    assert all(found(follows(*lifts, seed=seed)) is None for seed in range(10))


def test_a_bowl_a_ridge_and_a_saddle_of_no_whole_teeth_are_the_plates() -> None:
    u, v = (X - 110) / 100, (Y - 110) / 100
    noise = np.random.default_rng(2).normal(0.0, 0.008, X.size)
    for form in (u * u + v * v, u * u, u * u - v * v, 0.62 * u * v):
        assert found(0.2 * form + noise) is None


def judged(z: Floats):
    from tests.judge.conftest import Bench

    bench = Bench(FOUR, Limits())
    rng = np.random.default_rng(5)
    readings = [bench.reading(z + rng.normal(0.0, 0.008, z.size), float(day)) for day in range(5)]
    return judge_machine(History.of("heron-01", readings), FOUR, bench.limits, bench.at(6))


def test_it_is_told_as_that_screws_and_never_as_the_tooth_floor() -> None:
    one = judged(follows(0.0, 0.0, 0.4, 0.0, noise=0.0))
    assert (one.condition, one.cause, one.advice) == ("past-limit", "screws", ("realign",))
    assert not one.at_tooth_floor
    assert one.plan is not None
    assert one.plan.teeth == {"front-left": 0, "front-right": 0, "rear-right": -1}
    assert one.plan.range_after_mm < 0.08
    assert not any(one.plan.shims_mm.values())
    why = "Rear right stands 1 tooth above the plane of the other three, and bends the bed. Without that it is flat to"
    assert one.reasons[0].startswith(why)


def test_no_shim_goes_under_the_reference_of_a_bed_that_is_bent_by_a_screw() -> None:
    for seed in range(5):
        u, v = (X - 110) / 100, (Y - 110) / 100
        dent = np.random.default_rng(seed).uniform(-0.12, 0.12, 3) @ np.stack([u, v, u * u + v * v])
        one = judged(follows(0.0, 0.8, 0.0, 0.0, noise=0.0) + dent)
        if one.plan is not None and one.bent_by_screw:
            assert one.plan.shims_mm["rear-left"] == 0.0
