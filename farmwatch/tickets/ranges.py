"""The raw range of every reading of a history."""

from __future__ import annotations

import numpy as np

from farmwatch.history import History
from farmwatch.measure.form import spread
from farmwatch.mesh import Floats

__all__ = ["ranges_of"]


def ranges_of(history: History) -> Floats:
    """Highest minus lowest height of each reading, `[n]`, mm, in time order."""
    ranges = np.empty(len(history))
    for stack in history.stacks:
        ranges[stack.index] = spread(stack.z.reshape(len(stack.z), -1))
    return ranges
