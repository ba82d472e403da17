import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from farmwatch.measure import flatness
from farmwatch.measure.form import shape_of_form
from farmwatch.mesh import Mesh

X, Y = np.linspace(15, 205, 7), np.linspace(20, 180, 6)
U, V = np.meshgrid(np.linspace(-1, 1, 7), np.linspace(-1, 1, 6))
SHAPES = {
    "bowl": U**2 + 0.8 * V**2,
    "dome": -(U**2) - V**2,
    "saddle": U**2 - V**2,
    "twist": U * V,
    "crest": -(V**2),
    "trough": V**2,
    "irregular": np.sin(5 * U) * np.cos(6 * V),
}


@pytest.mark.parametrize("name", SHAPES)
def test_shapes_by_name(rng, name):
    z = 0.1 * SHAPES[name] + 0.002 * rng.standard_normal(U.shape)
    shape = shape_of_form(X, Y, z[None])
    assert shape.name.tolist() == [name]
    assert (shape.shares.sum() > 0.9) == (name != "irregular")


@pytest.mark.parametrize("name", SHAPES)
def test_names_outlast_tilt_mirror_transpose_and_missing_points(rng, name):
    z = 0.1 * SHAPES[name] + 0.002 * rng.standard_normal(U.shape)
    holes = z.copy()
    holes[0, 0] = holes[3, 3] = holes[5, 2] = np.nan
    views = [
        shape_of_form(X, Y, (z + 0.002 * X - 0.001 * Y[:, None])[None]),
        shape_of_form(X, Y, z[None, :, ::-1]),
        shape_of_form(X, Y, z[None, ::-1]),
        shape_of_form(Y, X, z.T[None]),
        shape_of_form(X, Y, holes[None]),
    ]
    assert {str(view.name[0]) for view in views} == {name}


def test_upside_down_a_bowl_is_a_dome_and_a_crest_a_trough():
    z = 0.1 * np.stack([SHAPES["bowl"], SHAPES["dome"], SHAPES["crest"]])
    assert shape_of_form(X, Y, -z).name.tolist() == ["dome", "bowl", "trough"]


def test_a_crest_along_the_diagonal_is_a_crest():
    assert shape_of_form(X, Y, -0.1 * (U + V)[None] ** 2).name.tolist() == ["crest"]


def test_shares_are_those_of_the_discrete_orthogonal_polynomials():
    """Gram's polynomials on seven equal steps: P1 = (−3 … 3), P2 = (5, 0, −3, −4, −3, 0, 5) (R. A. Fisher and F. Yates,
    Statistical Tables, table XXIII; from memory, orthogonality checked here).
    """
    p1, p2 = np.arange(-3.0, 4.0), np.array([5.0, 0, -3, -4, -3, 0, 5])
    assert p2.sum() == 0
    assert p1 @ p2 == 0
    x = np.linspace(0, 200, 7)
    parts = np.stack([np.tile(p2, (7, 1)), np.outer(p1, p1), np.tile(p2[:, None], (1, 7))])
    parts /= np.sqrt((parts**2).sum(axis=(1, 2)))[:, None, None]
    z = 3 * parts[0] + 2 * parts[1] - 1 * parts[2]
    assert_allclose(shape_of_form(x, x, z[None]).shares, [[9 / 14, 4 / 14, 1 / 14]], rtol=1e-12)


def test_bend_is_the_height_that_each_quadratic_adds_at_the_edge():
    z = 0.12 * U**2 - 0.05 * U * V + 0.03 * V**2
    assert_allclose(shape_of_form(X, Y, z[None]).bend, [[0.12, -0.05, 0.03]], atol=1e-12)


@settings(max_examples=50, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), share=st.sampled_from([0.0, 0.1]))
def test_shares_never_pass_one(seed, share):
    rng = np.random.default_rng(seed)
    z = rng.normal(0, 0.1, (8, 6, 7))
    z[rng.random(z.shape) < share] = np.nan
    shares = shape_of_form(X, Y, z).shares
    assert (shares >= 0).all()
    assert (shares.sum(axis=1) <= 1 + 1e-12).all()


def test_no_form_has_no_shape():
    shape = shape_of_form(X, Y, np.stack([np.zeros(U.shape), 0.3 + 0.01 * X + 0.003 * Y[:, None]]))
    assert shape.name.tolist() == ["irregular", "irregular"]
    assert (shape.shares == 0).all()


def test_one_reading_gives_single_values():
    xx, yy = np.meshgrid(X, Y)
    shape = shape_of_form(xx.ravel(), yy.ravel(), SHAPES["bowl"].ravel())
    assert shape.name == "bowl"
    assert shape.shares.shape == (3,)


def test_flatness_of_a_mesh_is_that_of_its_points():
    z = 0.1 * SHAPES["twist"]
    z[0, 0] = np.nan
    of_mesh, of_stack = flatness(Mesh.accept(X, Y, z)), flatness(X, Y, z[None])
    assert of_mesh.mz == pytest.approx(of_stack.mz[0], abs=1e-14)
    assert of_mesh.ls == pytest.approx(of_stack.ls[0], abs=1e-14)
    assert of_mesh.rms == pytest.approx(of_stack.rms[0], abs=1e-14)


def test_flatness_wants_all_three():
    with pytest.raises(ValueError, match="wants"):
        flatness(X)
