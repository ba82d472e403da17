"""What a farm's machines do before one's own readings are looked at: kinds of drift, and how common each is.

A kind is a size for each part of a drift (`paths`). How common the kinds are is learned from the machines of one model,
by empirical Bayes (Efron & Morris, JASA 70, 1975): the weights that make what all of them did most likely, found by
expectation and maximisation (Dempster, Laird & Rubin, J. R. Stat. Soc. B 39, 1977), drawn towards weights that are
fixed here as if so many machines more had been seen. So a few machines change little, and nothing is ruled out.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from farmwatch.mesh import Floats

__all__ = ["LEAST_MACHINES", "PRIOR", "DriftPrior", "learned_prior"]

LEAST_MACHINES = 8
"""From fewer nothing is learned."""
# The fixed weights count as much as so many machines.
_PULL = 20.0
_ROUNDS = 60
_STILL = 0.0004

# mm and weeks; the last but one is a factor on the sd of a reading: part of what looks like noise is the walk itself.
_KINDS = (
    # kind                     line    walk   bend    dies: 6, 12, 24 weeks   builds: 8, 20   swing  noise  weight
    ("still",                  _STILL, 0.0,   0.0,    0.0,   0.0,   0.0,      0.0,   0.0,     0.0,   1.0,   0.0853),
    ("slope 0.002",            0.002,  0.0,   0.0,    0.0,   0.0,   0.0,      0.0,   0.0,     0.0,   1.0,   0.0696),
    ("slope 0.006",            0.006,  0.0,   0.0,    0.0,   0.0,   0.0,      0.0,   0.0,     0.0,   1.0,   0.4987),
    ("slope 0.015",            0.015,  0.0,   0.0,    0.0,   0.0,   0.0,      0.0,   0.0,     0.0,   1.0,   0.1829),
    ("slope 0.050",            0.050,  0.0,   0.0,    0.0,   0.0,   0.0,      0.0,   0.0,     0.0,   1.0,   0.0457),
    ("walk 0.010",             0.001,  0.010, 0.0,    0.0,   0.0,   0.0,      0.0,   0.0,     0.0,   0.9,   0.0015),
    ("walk 0.020",             0.001,  0.020, 0.0,    0.0,   0.0,   0.0,      0.0,   0.0,     0.0,   0.75,   0.0085),
    ("slope 0.006, walk 0.010", 0.006, 0.010, 0.0,    0.0,   0.0,   0.0,      0.0,   0.0,     0.0,   1.0,   0.0002),
    ("slope 0.006, bend",      0.006,  0.0,   0.0010, 0.0,   0.0,   0.0,      0.0,   0.0,     0.0,   1.0,   0.0012),
    ("dies in 6 weeks",        _STILL, 0.0,   0.0005, 0.012, 0.0,   0.0,      0.0,   0.0,     0.0,   1.0,   0.0024),
    ("dies in 12 weeks",       _STILL, 0.0,   0.0005, 0.0,   0.012, 0.0,      0.0,   0.0,     0.0,   1.0,   0.0106),
    ("dies in 24 weeks",       _STILL, 0.0,   0.0005, 0.0,   0.0,   0.012,    0.0,   0.0,     0.0,   1.0,   0.0056),
    ("builds in 8 weeks",      _STILL, 0.0,   0.0005, 0.0,   0.0,   0.0,      0.009, 0.0,     0.0,   1.0,   0.0020),
    ("builds in 20 weeks",     _STILL, 0.0,   0.0005, 0.0,   0.0,   0.0,      0.0,   0.009,   0.0,   1.0,   0.0139),
    ("swing 0.02",             _STILL, 0.0,   0.0,    0.0,   0.0,   0.0,      0.0,   0.0,     0.020, 1.0,   0.0294),
    ("swing 0.05",             _STILL, 0.0,   0.0,    0.0,   0.0,   0.0,      0.0,   0.0,     0.050, 1.0,   0.0379),
    ("slope 0.006, swing 0.04", 0.006, 0.0,   0.0,    0.0,   0.0,   0.0,      0.0,   0.0,     0.040, 1.0,   0.0046),
)  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class DriftPrior:
    """k kinds of drift and how common each is."""

    sizes: Floats
    """`[k, 10]` sd of each part of a drift, in the order of `paths`, and a factor on the sd of a reading."""
    weights: Floats
    """`[k]`, sum 1."""
    names: tuple[str, ...] = ()
    """`[k]`, by which a weight is known again."""

    @classmethod
    def of(cls, weights: Mapping[str, float]) -> DriftPrior | None:
        """The kinds known here with the weights given by name; None where these are of other kinds, or no weights."""
        if set(weights) != set(PRIOR.names):
            return None
        given = np.array([weights[name] for name in PRIOR.names], dtype=np.float64)
        if not np.isfinite(given).all() or (given < 0).any() or not given.sum() > 0:
            return None
        return cls(PRIOR.sizes, given / given.sum(), PRIOR.names)

    def by_name(self) -> dict[str, float]:
        """The weights by the kinds' names."""
        return dict(zip(self.names, self.weights.tolist(), strict=True))


def _fixed() -> DriftPrior:
    table = np.array([row[1:] for row in _KINDS], dtype=np.float64)
    return DriftPrior(table[:, :-1], table[:, -1] / table[:, -1].sum(), tuple(str(row[0]) for row in _KINDS))


PRIOR = _fixed()
"""For a machine of a model of which nothing was learned; *common practice, no source*.

Chosen on invented fleets so that the benchmark's machines, of which those with a short record all drift, lose nothing:
a larger share at rest calls standing machines with 8 readings calmer still, and drifting ones too late.
"""


def learned_prior(evidence: Floats, base: DriftPrior = PRIOR) -> DriftPrior:
    """The fixed kinds, weighed by `evidence` `[machines, k]`: of each machine the log likelihood of each kind.

    base: what the weights are drawn towards, in place of the fixed ones: what other farms have learned.

    −inf where a machine cannot tell of a kind (a swing, from less than half a year): it then says nothing against it.
    """
    weights, told = base.weights, np.isfinite(evidence)
    for _ in range(_ROUNDS):
        each = np.where(told, evidence + np.log(weights), -np.inf)
        share = np.exp(each - each.max(axis=1, keepdims=True))
        able = np.where(told, weights, 0.0).sum(axis=1, keepdims=True)
        share *= able / share.sum(axis=1, keepdims=True)
        counted = np.where(told, share, weights).sum(axis=0) + _PULL * base.weights
        weights = counted / counted.sum()
    return DriftPrior(PRIOR.sizes, weights, PRIOR.names)
