"""Plates in turn: each known again by its name, with an offset and a form of its own."""

import numpy as np
import pytest

from farmwatch.follow.plates import find_offsets
from tests.benchmarks import bench_follow_occasions as bench

WEDGE = np.array([[0.0, 0.0], [0.05, -0.02], [-0.03, 0.04]])


def in_turn(rng, n=90, run=5, plates=3):
    return np.concatenate([np.full(run, k % plates) for k in range(-(-n // run))])[:n]


def test_each_plate_has_its_offset_against_the_newest():
    rng = np.random.default_rng(1)
    plate = in_turn(rng)
    u = WEDGE[plate] + rng.normal(0.0, 0.005, (90, 2)) + np.linspace(0.0, 0.1, 90)[:, None]
    found = find_offsets(u, plate, np.zeros(90, dtype=int))
    newest = plate[-1]
    for each in range(3):
        assert found[each] == pytest.approx(WEDGE[each] - WEDGE[newest], abs=0.012)


def test_a_jump_while_a_plate_is_changed_is_not_taken_for_its_offset():
    rng = np.random.default_rng(2)
    plate = in_turn(rng, run=6)
    u = WEDGE[plate] + rng.normal(0.0, 0.003, (90, 2))
    u[42:, 0] += 0.4
    found = find_offsets(u, plate, np.zeros(90, dtype=int))
    for each in range(3):
        assert found[each] == pytest.approx(WEDGE[each] - WEDGE[plate[-1]], abs=0.01)


def test_a_plate_laid_once_or_without_a_name_is_not_known():
    rng = np.random.default_rng(3)
    u, kind = rng.normal(0.0, 0.005, (60, 2)), np.zeros(60, dtype=int)
    assert find_offsets(u, np.repeat([0, 1], 30), kind) == {}
    assert find_offsets(u, np.full(60, -1), kind) == {}
    # Every change falls together with a work: nothing tells the two apart.
    assert find_offsets(u, in_turn(rng, 60), np.arange(60) // 5) == {}


def test_steps_are_named_and_no_plate_is_one_while_plates_take_turns():
    told = {figure.name.split(": ")[1].split(" (of")[0]: figure.value for figure in bench.plates_in_turn(30, 1, 2, 1)}
    assert told["jumps found and named right"] >= 0.9
    assert told["false steps a machine-year"] <= 0.1
    assert told["plate changes told a machine-year (for the record)"] <= 0.5
    assert 0.66 <= told["10-90 % interval holds the true day"] <= 0.97
