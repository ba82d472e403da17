import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_array_equal

from farmwatch.errors import FarmwatchError
from farmwatch.mesh import Mesh, MeshRefused

X, Y = [10.0, 60.0, 110.0, 160.0], [20.0, 90.0, 160.0]
Z = np.arange(12.0).reshape(3, 4) / 100


def changed(row, column, value):
    z = Z.copy()
    z[row, column] = value
    return z


def test_a_mesh_keeps_what_it_was_given():
    mesh = Mesh.accept(X, Y, Z)
    assert_array_equal(mesh.x, X)
    assert_array_equal(mesh.y, Y)
    assert_array_equal(mesh.z, Z)
    assert (mesh.rows, mesh.columns) == (3, 4)
    assert mesh.range_mm == pytest.approx(0.11)


def test_a_mesh_cannot_be_changed():
    given_z = Z.copy()
    mesh = Mesh.accept(X, Y, given_z)
    given_z[0, 0] = 9.0
    assert mesh.z[0, 0] == 0.0
    with pytest.raises(ValueError, match="read-only"):
        mesh.z[0, 0] = 1.0


@pytest.mark.parametrize("flip_x", [False, True])
@pytest.mark.parametrize("flip_y", [False, True])
def test_axes_that_fall_are_turned_with_their_heights(flip_x, flip_y):
    x, y, z = np.array(X), np.array(Y), Z
    if flip_x:
        x, z = x[::-1], z[:, ::-1]
    if flip_y:
        y, z = y[::-1], z[::-1]
    assert Mesh.accept(x, y, z).same_as(Mesh.accept(X, Y, Z))


def test_points_are_those_present():
    x, y, z = Mesh.accept(X, Y, changed(1, 2, np.nan)).points()
    assert len(x) == len(y) == len(z) == 11
    assert not ((x == 110.0) & (y == 90.0)).any()
    assert z[(x == 60.0) & (y == 160.0)] == Z[2, 1]


REFUSED = {
    "too few rows": (X, Y[:2], Z[:2], "3 x 3"),
    "too few columns": (X[:2], Y, Z[:, :2], "3 x 3"),
    "rows that do not fit": (X, [*Y, 200.0], Z, "3 rows of 4"),
    "heights that are flat": (X, Y, Z.ravel(), "nesting"),
    "rows of different length": (X, Y, [[0.1, 0.2], [0.1]], "z is not"),
    "words": (["left", "right"], Y, Z, "x is not"),
    "an axis that turns": ([10.0, 60.0, 50.0, 160.0], Y, Z, "60 is followed by 50"),
    "an axis that stands still": ([10.0, 60.0, 60.0, 160.0], Y, Z, "60 is followed by 60"),
    "a y axis that turns": (X, [20.0, 10.0, 160.0], Z, "y coordinates"),
    "a coordinate that is no number": ([10.0, np.nan, 110.0, 160.0], Y, Z, "x coordinate 2 of 4"),
    "an infinite coordinate": (X, [20.0, 90.0, np.inf], Z, "y coordinate 3 of 3"),
    "an infinite height": (X, Y, changed(2, 1, -np.inf), "row 3, column 2 (x 60, y 160) is infinite"),
    "too many missing": (
        X,
        Y,
        np.where(Z < 0.025, np.nan, Z),
        "25% of the points are missing, the first at row 1, column 1 (x 10, y 20)",
    ),
    "none present": (X, Y, np.full((3, 4), np.nan), "100% of the points"),
    "a height too large": (X, Y, changed(1, 3, 20.001), "row 2, column 4 (x 160, y 90) is 20.001 mm"),
    "a height too low": (X, Y, changed(0, 0, -250.0), "row 1, column 1 (x 10, y 20) is -250 mm"),
    "a range too large": (
        X,
        Y,
        changed(0, 1, 11.0) - 10 * (Z > 0.1),
        "from row 3, column 4 (x 160, y 160) to row 1, column 2 (x 60, y 20)",
    ),
}


@pytest.mark.parametrize("name", REFUSED)
def test_what_cannot_be_is_refused_and_says_which_and_where(name):
    x, y, z, says = REFUSED[name]
    with pytest.raises(MeshRefused) as refusal:
        Mesh.accept(x, y, z)
    assert says in str(refusal.value)
    assert isinstance(refusal.value, FarmwatchError)


def test_axes_too_fine_for_arithmetic_are_refused():
    with pytest.raises(MeshRefused, match=r"stand closer than 0\.01 mm"):
        Mesh.accept([0.0, 5e-324, 1e-323], [0.0, 1.0, 2.0], np.diag([np.nan, 0.0, 0.0]))


@pytest.mark.parametrize("x", [[0.0, 1e200, 2e200], [0.0, 1e-300, 2e-300], [-10_001.0, 0.0, 1.0], [0.0, 1.0, 1.009]])
def test_coordinates_of_no_bed_are_refused(x):
    with pytest.raises(MeshRefused, match=r"another quantity|stand closer"):
        Mesh.accept(x, [0.0, 1.0, 2.0], np.zeros((3, 3)))


def test_the_edges_of_the_rules_are_inside():
    z = np.zeros((5, 5))
    z[0] = np.nan
    z[2, 2] = 20.0
    assert Mesh.accept(range(5), range(5), z).range_mm == 20.0


@settings(max_examples=60, deadline=None)
@given(rows=st.integers(3, 6), columns=st.integers(3, 6), seed=st.integers(0, 2**32 - 1))
def test_what_is_accepted_spans_a_plane(rows, columns, seed):
    rng = np.random.default_rng(seed)
    z = np.zeros((rows, columns))
    z.flat[rng.permutation(z.size)[: z.size // 5]] = np.nan
    x, y = np.cumsum(rng.uniform(1e-3, 100, columns)), np.cumsum(rng.uniform(1e-3, 100, rows))
    px, py, _ = Mesh.accept(x, y, z).points()
    assert np.linalg.matrix_rank(np.column_stack([px - px.mean(), py - py.mean()])) == 2


def test_the_digest_knows_the_same_mesh_again():
    mesh = Mesh.accept(X, Y, changed(0, 0, np.nan))
    assert mesh.digest() == Mesh.accept(X[::-1], Y, changed(0, 0, np.nan)[:, ::-1]).digest()
    assert mesh.same_as(Mesh.accept(X, Y, changed(0, 0, np.nan)))
    assert Mesh.accept(X, Y, changed(0, 0, -0.0)).digest() == Mesh.accept(X, Y, Z).digest()


@pytest.mark.parametrize(
    "other",
    [
        (X, Y, changed(2, 3, np.nextafter(0.11, 1))),
        (X, Y, changed(2, 3, np.nan)),
        ([10.0, 60.0, 110.0, 161.0], Y, Z),
        (X, [20.0, 90.0, 161.0], Z),
    ],
)
def test_the_digest_tells_others_apart(other):
    mesh, unlike = Mesh.accept(X, Y, Z), Mesh.accept(*other)
    assert mesh.digest() != unlike.digest()
    assert not mesh.same_as(unlike)


def test_the_digest_does_not_mix_rows_and_columns():
    square = np.zeros((3, 4))
    assert Mesh.accept(X, Y, square).digest() != Mesh.accept(Y, X, square.T).digest()
