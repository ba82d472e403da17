"""Where the heights of a bed may go: models of drift, weighed by how well they foretold the readings.

A height is a level, a drift and noise. The drift stands still, runs along a line, wanders (random walk), bends (its
slope wanders), dies away or builds up, or swings with the year: structural time series (Harvey, Forecasting, Structural
Time Series Models and the Kalman Filter, 1989; Durbin & Koopman, Time Series Analysis by State Space Methods, 2nd ed.
2012, 3.2). Each is a Gaussian process, so its likelihood and its future follow from covariances in closed form
(Rasmussen & Williams, Gaussian Processes for Machine Learning, 2006, 2.2 and algorithm 2.1).

A model is weighed by its prior and by its marginal likelihood, which is the product of its one-step predictive
likelihoods. Several sizes of slope, the smallest almost nil, make a prior with heavy tails: what few readings seem to
show is drawn towards rest, what many show is not (Efron & Morris, JASA 70, 1975).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from farmwatch.follow.priors import PRIOR, DriftPrior
from farmwatch.mesh import Floats

__all__ = ["KNOTS", "draw_paths", "log_likelihoods", "path_crossings"]

KNOTS: Floats = np.array(
    [0, 1, 2, 4, 6, 9, 12, 16, 20, 25, 30, 36, 42, 50, 58, 66, 75, 84, 94, 105, 117, 130, 143, 156, 169, 182, 196, 210],
    dtype=float,
)
"""Days ahead at which a path is drawn; between them it is a line. The horizon, and 28 days to go on from."""

_WEEK = 7.0
_YEAR_WEEKS = 365.25 / 7.0
# Readings are gathered into so many occasions: what a covariance of them costs grows with the cube.
_OCCASIONS = 24
# Of the level nothing is known beforehand, mm.
_LEVEL_SD = 1.0
# What rounding takes from a covariance of up to some mm².
_JITTER_MM2 = 1e-9
# So many paths say which points make the range.
_PROBED = 250
# More than what was read can come to, made white and squared.
_FAR = 1e18
# A reading is never known better than this, mm².
_LEAST_VARIANCE = 1e-8
# A swing is looked for once half a year is there: less of a sine is a bend.
_LEAST_SEASON_WEEKS = 26.0
_DYING_WEEKS, _BUILDING_WEEKS = (6.0, 12.0, 24.0), (8.0, 20.0)
_SWING = 8


@dataclass(frozen=True, slots=True, eq=False)
class _Fits:
    """What k kinds of drift say of one machine's n occasions; columns turned to the axes of the noise."""

    log_likelihood: Floats
    """`[k]`; −inf where a kind says nothing: a swing before half a year is there."""
    white: Floats
    """`[k, m, n]` what was read, made independent and of unit variance."""
    parts: Floats
    """Covariances of the parts of a drift, of the occasions and the days ahead."""
    scatter: Floats
    """`[k, m, n]` variance of an occasion's mean."""
    axes: Floats
    base: Floats


def draw_paths(
    t: Floats, u: Floats, noise: Floats, freedom: float, rng: np.random.Generator, draws: int, prior: DriftPrior = PRIOR
) -> Floats:
    """Draw heights `[draws, knots, m]` at KNOTS days ahead, from heights u `[n, m]` at t `[n]` days (now = 0).

    noise `[m, m]` is the covariance of one reading, autocorrelation allowed for, known with `freedom` degrees. The
    columns are turned to the axes of the noise, in which they are independent; drift knows no direction, so it stays
    what it was. Draws are shared out among the models by weight, without chance.
    """
    fits = _fit(t, u, noise, prior)
    n, columns = fits.white.shape[2], fits.white.shape[1]
    log_weight = np.log(prior.weights) + fits.log_likelihood
    weight = np.exp(log_weight - log_weight.max())
    share = np.rint(np.cumsum(weight / weight.sum()) * draws).astype(np.intp)
    each = np.diff(share, prepend=0)
    told = np.flatnonzero(each)
    # The factor of both together holds what the past says of the days ahead, and what it leaves open.
    own = np.concatenate([fits.scatter[told], np.full((told.size, columns, KNOTS.size), _JITTER_MM2)], axis=2)
    both = _lower(_covariance(prior.sizes[told], fits.parts, own))
    middle = np.einsum("kjtn,kjn->kjt", both[:, :, n:, :n], fits.white[told])
    root = both[:, :, n:, n:]
    z = rng.standard_normal((columns, draws, KNOTS.size))
    stretch = np.sqrt(freedom / rng.chisquare(freedom, draws))
    path = np.empty((columns, draws, KNOTS.size))
    begin = 0
    for a, k in enumerate(told):
        some = slice(begin, begin + int(each[k]))
        begin = some.stop
        moved = z[:, some] @ np.swapaxes(root[a], 1, 2)
        moved *= stretch[some, None]
        np.add(moved, middle[a][:, None, :], out=path[:, some])
    turned_back = (fits.axes @ path.reshape(columns, -1)).reshape(path.shape) + fits.base[:, None, None]
    result: Floats = np.moveaxis(turned_back, 0, 2)
    return result


def log_likelihoods(t: Floats, u: Floats, noise: Floats, prior: DriftPrior = PRIOR) -> Floats:
    """Log likelihood `[k]` of each kind of drift, from heights as `draw_paths` takes them."""
    return _fit(t, u, noise, prior).log_likelihood


def _fit(t: Floats, u: Floats, noise: Floats, prior: DriftPrior) -> _Fits:
    when, y, count = _occasions(t, u)
    own, axes = np.linalg.eigh(noise)
    base = y.mean(axis=0)
    turned = (y - base) @ axes
    n = count.size
    weeks = np.concatenate([when, KNOTS]) / _WEEK
    span = float(weeks[n - 1] - weeks[0])
    parts = _covariances(weeks - weeks[0], span)
    scatter = np.square(prior.sizes[:, -1])[:, None] * np.maximum(own, _LEAST_VARIANCE)
    scatter = scatter[:, :, None] / count
    # What was read stands as one row more: its row of the factor is what it comes to made white.
    known = np.zeros((*scatter.shape[:2], n + 1, n + 1))
    known[:, :, :n, :n] = _covariance(prior.sizes, parts[:, :n, :n], scatter)
    known[:, :, n, :n] = turned.T
    known[:, :, n, n] = _FAR
    lower = _lower(known)
    white = lower[:, :, n, :n]
    misfit = np.log(np.einsum("kjnn->kjn", lower)[:, :, :n]).sum(axis=(1, 2)) + 0.5 * np.square(white).sum(axis=(1, 2))
    unable = (prior.sizes[:, _SWING] > 0) & (span < _LEAST_SEASON_WEEKS)
    return _Fits(np.where(unable, -np.inf, -misfit), white, parts, scatter, axes, base)


def _covariance(sizes: Floats, parts: Floats, own: Floats) -> Floats:
    """`[k, m, n, n]` of k kinds of drift, with a variance of its own at each time `[k, m, n]`."""
    shared = np.tensordot(np.square(sizes[:, :-1]), parts, axes=1) + _LEVEL_SD**2
    whole = np.repeat(shared[:, None], own.shape[1], axis=1)
    np.einsum("kjnn->kjn", whole)[:] += own
    return whole


def path_crossings(path: Floats, form: Floats, influence: Floats, limit_mm: float) -> Floats:
    """Days `[draws]` until the range of form + influence·path first passes the limit; inf: not within the knots.

    path `[draws, knots, m]`; form `[points]`; influence `[m, points]`. Only points that are highest or lowest on
    some of 250 paths at every third knot are looked at: they alone make the range there, and next to all of it between.
    """
    # Points stand along the first axis, which numpy reduces fastest.
    some = path[:: max(1, len(path) // _PROBED)]
    probe = _meshes(some[:, [*range(0, KNOTS.size - 1, 3), -1]], form, influence)
    points = np.union1d(probe.argmax(axis=0), probe.argmin(axis=0))
    meshes = _meshes(path, form[points], influence[:, points])
    over = (meshes.max(axis=0) - meshes.min(axis=0)).reshape(path.shape[:2]) - limit_mm
    past = over > 0
    first = past.argmax(axis=1)
    rows = np.arange(len(path))
    left = over[rows, np.maximum(first - 1, 0)]
    right = over[rows, first]
    here = past[rows, first]
    between = here & (first > 0)
    climb = np.where(between, right - left, 1.0)
    step = KNOTS[first] - KNOTS[np.maximum(first - 1, 0)]
    days: Floats = np.where(here, KNOTS[first] - np.where(between, right / climb, 0.0) * step, np.inf)
    return days


def _meshes(path: Floats, form: Floats, influence: Floats) -> Floats:
    """Heights `[points, draws x knots]`."""
    # Columns stand along the first axis in memory: as `draw_paths` leaves them, this copies nothing.
    flat = np.moveaxis(path, 2, 0).reshape(path.shape[2], -1)
    meshes: Floats = influence.T @ flat
    meshes += form[:, None]
    return meshes


def _occasions(t: Floats, u: Floats) -> tuple[Floats, Floats, Floats]:
    """Mean time, mean heights and number of readings of at most 24 runs of equally many readings."""
    n = t.size
    runs = min(n, _OCCASIONS)
    start = np.arange(runs) * n // runs
    count = np.diff(start, append=n).astype(np.float64)
    return np.add.reduceat(t, start) / count, np.add.reduceat(u, start, axis=0) / count[:, None], count


def _lower(covariance: Floats) -> Floats:
    """Cholesky factors; of what rounding has left without one, with as much more on the diagonal as it takes."""
    more = 0.0
    size = float(np.abs(covariance[..., 0, 0]).max())
    while True:
        try:
            factors: Floats = np.asarray(np.linalg.cholesky(covariance + more * np.eye(covariance.shape[-1])))
        except np.linalg.LinAlgError:
            more = max(10.0 * more, 1e-12 * size)
        else:
            return factors


def _covariances(w: Floats, span: float) -> Floats:
    """Covariances `[9, n, n]` between times w (weeks since the first) of each kind of drift at unit size.

    A line from the start: s·t. A walk: min(s, t). A walking slope: min²(3 max − min)/6. A drift along a curve whose
    slope falls e-fold in τ weeks, 1 in the middle of the `span` read (or after 3 τ); one whose slope grows so, 1 at its
    end. The year: cos of the difference, one harmonic of any phase.
    """
    late, early = np.maximum.outer(w, w), np.minimum.outer(w, w)
    curves = [tau * -np.exp((min(span / 2.0, 3.0 * tau) - w) / tau) for tau in _DYING_WEEKS]
    curves += [tau * np.exp((w - span) / tau) for tau in _BUILDING_WEEKS]
    curves = [curve - curve[0] for curve in curves]
    stacked: Floats = np.stack(
        [
            late * early,
            early,
            early * early * (3.0 * late - early) / 6.0,
            *(np.outer(curve, curve) for curve in curves),
            np.cos(2.0 * np.pi / _YEAR_WEEKS * (late - early)),
        ]
    )
    return stacked
