"""Meshes of a history that stand alone, to be drawn hollow. Pure."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

import numpy as np

__all__ = ["Dot", "excursions"]

# A mesh stands alone when it is farther than this from the median of every run of five that holds it: as in follow.
_RUN, _LONE_SD, _LEAST_MM = 5, 6.0, 0.02

Dot = tuple[float, float]
"""Epoch seconds and mm."""


def excursions(judged: Sequence[Dot], sd_mm: float, breaks: Sequence[float] = ()) -> list[Dot]:
    """Judged meshes that stand alone: neither those before nor those after agree with them, up to the next step."""
    found: list[Dot] = []
    edges = [-math.inf, *sorted(breaks), math.inf]
    for start, end in pairwise(edges):
        piece = [dot for dot in judged if start <= dot[0] < end]
        if len(piece) < _RUN:
            continue
        values = np.array([r for _, r in piece])
        middle = np.median(np.lib.stride_tricks.sliding_window_view(values, _RUN), axis=1)
        nearest = np.full(values.size, np.inf)
        for k in range(_RUN):
            part = nearest[k : k + middle.size]
            np.minimum(part, np.abs(values[k : k + middle.size] - middle), out=part)
        found += [piece[int(i)] for i in np.flatnonzero(nearest > max(_LONE_SD * sd_mm, _LEAST_MM))]
    return found
