"""Plate swaps that nobody told of."""

import numpy as np
import pytest

from farmwatch.demo import bent
from farmwatch.follow.forms import plate_changes

X = np.linspace(0.0, 1.0, 7)


def forms(n=40, noise=0.004, seed=1):
    return np.random.default_rng(seed).normal(0, noise, (n, 7, 7))


@pytest.mark.parametrize("at", [3, 20, 37])
@pytest.mark.parametrize("kind", ["bowl", "corner", "twist"])
def test_another_form_is_seen_with_its_first_reading(at, kind):
    form = forms()
    form[at:] += 0.1 * bent(kind, X, X)
    assert plate_changes(form, 0.004).tolist() == [at]


def test_there_and_back():
    form = forms()
    form[12:25] += 0.08 * bent("bowl", X, X)
    assert plate_changes(form, 0.004).tolist() == [12, 25]


@pytest.mark.parametrize("where", [[20], [20, 30], [39], [0]])
def test_a_reading_that_went_astray_is_no_swap(where):
    form = forms()
    form[where] += 0.2 * bent("wave", X, X)
    assert plate_changes(form, 0.004).size == 0


def test_still_forms_have_no_breaks():
    assert sum(plate_changes(forms(100, seed=k), 0.004).size for k in range(60)) == 0


def test_corners_six_times_noisier_than_the_rest_are_hardly_ever_swaps():
    total = 0
    for k in range(30):
        form = forms(80, seed=k)
        form[:, [0, 0, -1, -1], [0, -1, 0, -1]] *= 6.0
        total += plate_changes(form, 0.004).size
    assert total <= 2


def test_missing_points_and_too_few_readings():
    form = forms()
    form[::3, 2, 2] = np.nan
    form[:, 0, 0] = np.nan
    assert plate_changes(form, 0.004).size == 0
    assert plate_changes(form[:5], 0.004).size == 0
