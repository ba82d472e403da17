"""The bed as a contour sheet in characters."""

import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from farmwatch.cli.charts import bed_map, contour_step, screw_letters
from farmwatch.mesh import Mesh
from farmwatch.model import Screw

AXIS = np.linspace(10.0, 210.0, 7)
SCREWS = (
    Screw(name="front-left", x_mm=20.0, y_mm=10.0),
    Screw(name="front-right", x_mm=200.0, y_mm=10.0),
    Screw(name="rear", x_mm=110.0, y_mm=215.0, reference=True),
)


def plane(slope_x: float, slope_y: float, axis=AXIS) -> Mesh:
    return Mesh.accept(axis, axis, slope_x * (axis[None, :] - 110.0) + slope_y * (axis[:, None] - 110.0))


def body(drawn: tuple[list[str], list[str]]) -> list[str]:
    return [line[1:-1] for line in drawn[0][1:-1]]


@pytest.mark.parametrize("columns", [40, 60, 80, 120])
def test_front_is_at_the_bottom_and_left_is_left(columns):
    """The highest corner is put in each corner in turn; its figure stands there."""
    for slope_x, slope_y in ((1, 1), (1, -1), (-1, 1), (-1, -1)):
        drawn = bed_map(plane(slope_x * 1e-3, slope_y * 1e-3), columns=columns)
        rows = body(drawn)
        row = rows[0] if slope_y > 0 else rows[-1]
        assert row.rstrip().endswith("+0.20") if slope_x > 0 else row.lstrip().startswith("+0.20"), row
        assert " rear " in drawn[0][0]
        assert " front " in drawn[0][-1]
        assert {len(line) for line in drawn[0]} == {min(columns, 100)}


def test_screws_stand_where_they_are():
    rows = body(bed_map(plane(1e-3, 0.0), screws=SCREWS, columns=80))

    assert "(C)" in rows[0]
    assert abs(rows[0].index("(C)") + 1 - 39) <= 1
    assert rows[-1].index("[A]") < 10
    assert rows[-1].index("[B]") > 68
    assert screw_letters(SCREWS) == {"front-left": "A", "front-right": "B", "rear": "C"}


def test_lines_of_equal_height_stand_at_multiples_of_the_step():
    """A plane from -0.19 to +0.19 mm over 79 characters: lines at -0.1, 0.0 and +0.1, upright."""
    drawn = bed_map(plane(1.9e-3, 0.0), columns=81)
    free = [row for row in body(drawn) if "." not in row]
    places = [index + 0.5 for index, sign in enumerate(free[0]) if sign == "|"]

    assert "a line every 0.1 mm" in drawn[1][0]
    assert {sign for row in free for sign in row} == {" ", "|"}
    assert places == pytest.approx([39 + 39 * height / 0.19 for height in (-0.1, 0.0, 0.1)], abs=0.6)


def test_a_flat_bed_has_no_line():
    rows = body(bed_map(plane(0.0, 0.0), columns=60))

    assert not re.search(r"[|/\\]", "".join(rows))
    assert "-" not in "".join(rows)
    assert "+0.00" in rows[0]


def test_spikes_and_missing_points_are_marked_and_explained():
    z = np.zeros((7, 7))
    z[4, 2] = 0.4
    z[1, 5] = np.nan
    drawn = bed_map(Mesh.accept(AXIS, AXIS, z), spikes=[(4, 2)], columns=80)
    text = "\n".join([*drawn[0], *drawn[1]])

    assert "+0.40!" in text
    assert re.search(r" \? ", "".join(body(drawn)))
    assert "! a height that its neighbours contradict" in text
    assert "? a point that was not probed" in text
    assert "highest +0.400 at x 76.67, y 143.3" in text
    assert text.isascii()


def test_a_screw_in_another_unit_does_not_shrink_the_bed():
    far = (*SCREWS[:2], Screw(name="rear", x_mm=110.0, y_mm=21500.0, reference=True))

    rows = body(bed_map(plane(1e-3, 0.0), screws=far, columns=80))

    assert "(C)" in rows[0]
    assert sum("+0.10" in row for row in rows) >= 4


@settings(max_examples=60, deadline=None)
@given(
    shape=st.tuples(st.integers(3, 30), st.integers(3, 30)),
    seed=st.integers(0, 2**31),
    columns=st.integers(40, 120),
    reach=st.sampled_from([0.0, 0.01, 0.5, 9.0]),
)
def test_any_bed_fits_its_columns(shape, seed, columns, reach):
    rng = np.random.default_rng(seed)
    z = rng.uniform(-reach, reach, shape)
    z[rng.random(shape) < 0.05] = np.nan
    x, y = np.cumsum(rng.uniform(1, 50, shape[1])), np.cumsum(rng.uniform(1, 50, shape[0]))
    drawn = bed_map(Mesh(x, y, np.where(np.isnan(z).all(), 0.0, z)), screws=SCREWS, columns=columns)

    assert {len(line) for line in drawn[0]} == {min(columns, 100)}
    assert 9 <= len(body(drawn)) <= 26
    # Every figure on the sheet is a whole one.
    for figure in re.findall(r"[+-]\d[\d.]*", "".join(f" {row} " for row in body(drawn))):
        assert re.fullmatch(r"[+-]\d\.\d\d", figure), figure


@pytest.mark.parametrize(("height", "step"), [(0.0, 0.02), (0.14, 0.02), (0.15, 0.05), (0.7, 0.1), (2.8, 0.5), (20, 5)])
def test_the_step_is_round_and_gives_at_most_seven_lines(height, step):
    assert contour_step(height) == step
