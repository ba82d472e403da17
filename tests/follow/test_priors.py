"""What a farm learns of its machines' drift: weights by expectation and maximisation, drawn towards the fixed ones."""

import numpy as np
import pytest

from farmwatch.follow import DriftPrior, learn_priors
from farmwatch.follow.paths import log_likelihoods
from farmwatch.follow.priors import LEAST_MACHINES, PRIOR, learned_prior
from farmwatch.measure import measure_histories
from tests.follow.fleets import END, MODEL, fleet, follow

STILL, SWING = PRIOR.names.index("still"), PRIOR.names.index("swing 0.02")


def test_the_weights_are_where_em_stands_still():
    rng = np.random.default_rng(1)
    evidence = rng.normal(0.0, 2.0, (400, len(PRIOR.names)))
    found = learned_prior(evidence)
    # At the maximum each weight is its share of the machines, the fixed weights counted as 20 more.
    share = np.exp(evidence) * found.weights
    counted = (share / share.sum(axis=1, keepdims=True)).sum(axis=0) + 20.0 * PRIOR.weights
    assert found.weights == pytest.approx(counted / 420.0, abs=2e-3)


def test_nothing_seen_leaves_the_fixed_weights():
    assert learned_prior(np.zeros((0, len(PRIOR.names)))).weights == pytest.approx(PRIOR.weights)


def test_a_machine_that_cannot_tell_of_a_kind_says_nothing_against_it():
    evidence = np.zeros((500, len(PRIOR.names)))
    evidence[:, SWING] = -np.inf
    assert learned_prior(evidence).weights[SWING] == pytest.approx(PRIOR.weights[SWING], rel=1e-6)


def test_weights_are_known_again_by_name_only():
    named = PRIOR.by_name()
    again = DriftPrior.of(dict(reversed(named.items())))
    assert again is not None
    assert again.weights == pytest.approx(PRIOR.weights)
    assert DriftPrior.of({"something else": 1.0}) is None
    assert DriftPrior.of(dict.fromkeys(named, 0.0)) is None
    assert DriftPrior.of(dict.fromkeys(named, float("nan"))) is None


def test_a_farm_of_standing_machines_learns_to_stand():
    made = fleet("short still", 60, 31)
    priors = learn_priors([measure_histories([one.history for one in made], [MODEL] * len(made), END)])
    prior, machines = priors[MODEL.name]
    assert machines > 45
    assert prior.weights[STILL] > 2.0 * PRIOR.weights[STILL]
    before = np.mean([one.forecast.chance for one in follow(made) if one.forecast])
    after = np.mean([one.forecast.chance for one in follow(made, priors={MODEL.name: prior}) if one.forecast])
    assert after < 0.7 * before
    assert after < 0.3


def test_too_few_machines_teach_nothing():
    made = fleet("drift", LEAST_MACHINES - 1, 5)
    assert learn_priors([measure_histories([one.history for one in made], [MODEL] * len(made), END)]) == {}


def test_a_swing_is_not_told_of_before_half_a_year():
    t, u = np.linspace(0.0, 150.0, 30), np.random.default_rng(3).normal(0.0, 0.01, (30, 2))
    told = log_likelihoods(t, u, np.eye(2) * 1e-4)
    assert np.isneginf(told[SWING])
    assert np.isfinite(log_likelihoods(2.0 * t, u, np.eye(2) * 1e-4)).all()
