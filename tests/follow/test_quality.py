"""What following must reach, in a small and fixed form; tests/benchmarks/bench_follow_quality.py prints it in full."""

import importlib.util
import sys
from pathlib import Path

import pytest

BENCH = Path(__file__).parent.parent / "benchmarks" / "bench_follow_quality.py"


@pytest.fixture(scope="module")
def bench():
    spec = importlib.util.spec_from_file_location("bench_follow_quality", BENCH)
    module = importlib.util.module_from_spec(spec)
    # Dataclasses look their module up by name.
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize("drop", [0.0, 0.2])
def test_jumps_are_found_and_named(bench, drop):
    seen = bench.jumps(60, 1, drop=drop)
    assert seen["found"] >= 0.95
    assert seen["false"] <= 4.0
    assert seen["named"] >= 0.93


def test_jumps_off_nominal_are_named(bench):
    assert bench.jumps(40, 1, off_nominal=0.1)["named"] >= 0.9


def test_still_machines_stand_still(bench):
    calm = bench.still(60, 1)
    assert calm["false"] <= 2.0
    assert calm["trends"] <= 0.08
    assert calm["calm"] >= 0.85


def test_forecasts_are_as_sure_as_they_may_be(bench):
    told = bench.forecasts(60, 1)
    assert 0.66 <= told["coverage"] <= 0.94
    assert told["error"] <= 12.0
    assert told["brier"] <= 0.07


def test_plate_swaps_and_turned_plates(bench):
    assert bench.swaps(30, 1)["named"] >= 0.85
    turned = bench.reversals(8, 1)
    assert min(turned.values()) >= 0.8
