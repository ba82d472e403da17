"""Shapes that a bed can be bent into, and noise that remembers its last value."""

from __future__ import annotations

from typing import Literal

import numpy as np

from farmwatch.mesh import Floats

__all__ = ["FormKind", "bent", "correlated"]

FormKind = Literal["flat", "bowl", "dome", "saddle", "twist", "ridge", "wave", "corner", "edge", "s-bend", "fan"]


def bent(kind: FormKind, x: Floats, y: Floats) -> Floats:
    """A bent surface `[r, c]` on axes x `[c]`, y `[r]`, peak to valley 1 over the grid, its plane left in."""
    u = np.linspace(-1.0, 1.0, x.size)[None, :] + np.zeros((y.size, 1))
    v = np.linspace(-1.0, 1.0, y.size)[:, None] + np.zeros((1, x.size))
    shapes = {
        "flat": 0.0 * u,
        "bowl": u**2 + v**2,
        "dome": -(u**2) - v**2,
        "saddle": u**2 - v**2,
        "twist": u * v,
        "ridge": -(np.abs(u - 0.3) ** 1.5),
        "wave": np.sin(2.5 * u + 0.4) * (1.0 + 0.5 * v),
        "corner": np.clip(u + v - 0.8, 0.0, None) ** 1.5,
        "edge": np.clip(v - 0.5, 0.0, None) ** 1.5,
        "s-bend": np.sin(3.0 * v) - 2.0 * v,
        "fan": u * u * v - 0.5 * v,
    }
    shape = shapes[kind]
    tall = float(np.ptp(shape))
    unit: Floats = shape / tall if tall > 0 else shape
    return unit


def correlated(n: int, k: int, correlation: float, rng: np.random.Generator, tail: float | None = None) -> Floats:
    """`k` columns of AR(1) noise `[n, k]` of unit variance; `tail`: degrees of freedom of Student's t, None: normal."""
    drawn = rng.standard_normal((n, k)) if tail is None else rng.standard_t(tail, (n, k)) / np.sqrt(tail / (tail - 2))
    noise = np.empty_like(drawn)
    noise[0] = drawn[0]
    root = np.sqrt(1.0 - correlation * correlation)
    for i in range(1, n):
        noise[i] = correlation * noise[i - 1] + root * drawn[i]
    return noise
