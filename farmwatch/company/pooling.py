"""Rates of several sites, each drawn towards what all have shown, by as much as its own record is short.

Counts are Poisson in their exposure, the sites' rates a gamma distribution; its mean and spread are not known either
and are integrated over a grid, so that with two sites the intervals are as wide as they have to be. A. Gelman, J. B.
Carlin, H. S. Stern, D. B. Dunson, A. Vehtari & D. B. Rubin, Bayesian Data Analysis, 3rd ed. (2013), sec. 2.6 (Poisson
with exposure, conjugate gamma) and ch. 5 (hierarchical models); a half-normal for the spread between few groups after
A. Gelman, Bayesian Analysis 1 (2006) 515-533. Pure.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import special

from farmwatch.mesh import Floats

__all__ = ["Pooled", "Rate", "log_prior", "pool", "pool_shares"]

_MEANS, _SHAPES = 41, 25
_SPREAD_SD = 0.5
"""Scale of the half-normal for the sites' coefficient of variation: most sites of a company lie within twice and half
of each other (a choice, no source)."""
_WIDEST = np.log(30.0)

LogPrior = Callable[[Floats, Floats], Floats]
"""Log density over the log of a gamma's mean and the log of its shape."""


@dataclass(frozen=True, slots=True)
class Rate:
    """A rate and its 80 % interval, events per unit of exposure."""

    mean: float
    low: float
    high: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Pooled:
    """Rates of the sites in their order, and of one of which nothing is known yet."""

    sites: tuple[Rate, ...]
    new: Rate
    shape: float
    exposure: float
    """The gamma that a new site begins with (matched on its logarithm): its shape, and the exposure it is worth."""

    def after(self, events: int, exposure: float) -> float:
        """The expected rate of a site that began with this and has seen so much itself."""
        return (self.shape + events) / (self.exposure + exposure)


def log_prior(log_mean: Floats, log_shape: Floats) -> Floats:
    """Any mean is as likely, by its logarithm; the coefficient of variation, 1 / sqrt(shape), is half-normal."""
    variation = np.exp(-0.5 * log_shape)
    # |d variation / d log shape| is half the variation.
    prior: Floats = -0.5 * (variation / _SPREAD_SD) ** 2 + np.log(variation) + 0.0 * log_mean
    return prior


def pool(events: Sequence[int], exposure: Sequence[float], prior: LogPrior = log_prior) -> Pooled | None:
    """Partial pooling of counts `[sites]` over exposures `[sites]`; None where nothing was watched.

    Sites without exposure get the new site's rate. Raises ValueError for negative numbers. Cost sites x 1,000.
    """
    y, t = np.asarray(events, dtype=float), np.asarray(exposure, dtype=float)
    if y.shape != t.shape or y.ndim != 1 or (y < 0).any() or (t < 0).any() or not np.isfinite(t).all():
        raise ValueError("events and exposure must be lists of one length, finite and not negative")
    if not t.sum():
        return None
    # Half an event where none was seen: the middle of what the mean may be.
    centre = np.log((y.sum() + 0.5) / t.sum())
    log_mean, log_shape = np.meshgrid(
        centre + np.linspace(-_WIDEST, _WIDEST, _MEANS), np.linspace(np.log(0.05), np.log(400.0), _SHAPES)
    )
    a = np.exp(log_shape).ravel()
    b = a / np.exp(log_mean).ravel()
    weight = _weights(y, t, a, b, prior(log_mean, log_shape).ravel())
    return Pooled(
        sites=tuple(_rate(a + y_i, b + t_i, weight) for y_i, t_i in zip(y, t, strict=True)),
        new=_rate(a, b, weight),
        **_matched(a, b, weight),
    )


def pool_shares(told: Sequence[float], of: Sequence[float]) -> tuple[tuple[Rate, ...], Rate] | None:
    """Partial pooling of shares `[sites]`, told of so many `[sites]`: each site's, and one of which nothing is known.

    The same with beta distributions in place of gammas (Gelman et al., sec. 5.3). None where nothing was told.
    """
    y, n = np.asarray(told, dtype=float), np.asarray(of, dtype=float)
    if not n.sum():
        return None
    mean, log_size = np.meshgrid(np.linspace(0.005, 0.995, _MEANS), np.linspace(np.log(1.0), np.log(400.0), _SHAPES))
    a, b = (mean * np.exp(log_size)).ravel(), ((1.0 - mean) * np.exp(log_size)).ravel()
    # Flat in the mean; the sd between sites half-normal, a fifth of the way from none to all.
    spread = np.sqrt(mean * (1.0 - mean) / (np.exp(log_size) + 1.0)).ravel()
    log_density = -0.5 * (spread / 0.2) ** 2 + np.log(spread)
    for y_i, n_i in zip(y, n, strict=True):
        log_density = log_density + special.betaln(a + y_i, b + n_i - y_i) - special.betaln(a, b)
    weight = np.exp(log_density - log_density.max())
    weight /= weight.sum()
    sites = tuple(_share(a + y_i, b + n_i - y_i, weight) for y_i, n_i in zip(y, n, strict=True))
    return sites, _share(a, b, weight)


def _share(a: Floats, b: Floats, weight: Floats) -> Rate:
    """Mean and 80 % interval of a mixture of betas."""
    shares = np.linspace(0.0, 1.0, 401)
    some = weight > 1e-4 * weight.max()
    part = weight[some] / weight[some].sum()
    below = part @ special.betainc(a[some][:, None], b[some][:, None], shares)
    low, high = np.interp([0.1, 0.9], below, shares)
    return Rate(mean=float(weight @ (a / (a + b))), low=float(low), high=float(high))


def _weights(y: Floats, t: Floats, a: Floats, b: Floats, log_density: Floats) -> Floats:
    """Posterior weight of each point of the grid; the counts are negative binomial given mean and shape."""
    for y_i, t_i in zip(y, t, strict=True):
        if t_i > 0:
            log_density = log_density + (
                special.gammaln(a + y_i)
                - special.gammaln(a)
                + a * np.log(b / (b + t_i))
                + y_i * np.log(t_i / (b + t_i))
            )
    weight: Floats = np.exp(log_density - log_density.max())
    weight /= weight.sum()
    return weight


def _rate(shape: Floats, rate: Floats, weight: Floats) -> Rate:
    """Mean and 80 % interval of a mixture of gammas."""
    mean = float(weight @ (shape / rate))
    # What weighs next to nothing moves a quantile by less.
    some = weight > 1e-5 * weight.max()
    shape, rate, weight = shape[some], rate[some], weight[some] / weight[some].sum()
    return Rate(mean=mean, low=_quantile(0.1, shape, rate, weight), high=_quantile(0.9, shape, rate, weight))


def _quantile(share: float, shape: Floats, rate: Floats, weight: Floats) -> float:
    """By halving in the logarithm: the mixture's distribution has no inverse."""
    ends = np.maximum(special.gammaincinv(shape, share) / rate, 1e-300)
    low, high = np.log(ends.min()), np.log(ends.max())
    while high - low > 1e-6:
        middle = 0.5 * (low + high)
        if weight @ special.gammainc(shape, rate * np.exp(middle)) < share:
            low = middle
        else:
            high = middle
    return float(np.exp(0.5 * (low + high)))


def _matched(a: Floats, b: Floats, weight: Floats) -> dict[str, float]:
    """The gamma whose logarithm has the mixture's mean and variance: its far tail does not count for more than it is.

    Newton's method on the trigamma function after T. P. Minka, Estimating a Gamma distribution (2002), for its inverse.
    """
    log = special.digamma(a) - np.log(b)
    mean = float(weight @ log)
    variance = float(weight @ (special.polygamma(1, a) + log**2)) - mean**2
    shape = 0.5 + 1.0 / variance
    for _ in range(30):
        first, second = special.polygamma(1, shape), special.polygamma(2, shape)
        shape += float(first * (1.0 - first / variance) / second)
    return {"shape": shape, "exposure": float(np.exp(special.digamma(shape) - mean))}
