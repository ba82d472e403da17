"""Plates that lie on the bed in turn: which lies there, which are known again, and how each stands.

A plate that has a name and comes back is a wedge of its own: the same bed stands otherwise at its screws under it. What
the heights do where one plate takes the place of another, time and again, tells each one's offset; with it taken off,
plates in turn are one history.
"""

from __future__ import annotations

import re

import numpy as np
from numpy.typing import NDArray

from farmwatch.history import History
from farmwatch.mesh import Floats

__all__ = ["find_offsets", "named_plates", "plate_epochs"]

Ints = NDArray[np.intp]
Bools = NDArray[np.bool_]

# A plate's offset is believed when it was laid or taken away so often: one jump at one of these times moves it little.
_LEAST_CHANGES = 3
# Readings beside a change that say where the bed stood.
_BESIDE = 3
_ROUNDS = 20
_LEAST_MM = 1e-4


def plate_epochs(history: History) -> tuple[Ints, Bools]:
    """How often the plate, its name or its orientation has changed by each reading; and whether it lies turned.

    A note `plate` tells of another plate; one whose text holds the word "turned", and a plate's name that ends in it,
    tell of the same plate turned by half a turn.
    """
    n = len(history)
    number, turned = np.zeros(n, dtype=np.intp), np.zeros(n, dtype=bool)
    for note in sorted((note for note in history.notes if note.what == "plate"), key=lambda note: note.at):
        after = history.taken_at >= note.at.timestamp()
        number[after] += 1
        if _says_turned(note.text):
            turned[after] = ~turned[after]
        else:
            turned[after] = False
    if n and any(name is not None for name in history.plate):
        names = np.array(["" if name is None else name for name in history.plate])
        changed = np.concatenate([[False], names[1:] != names[:-1]])
        number = number + np.cumsum(changed)
        turned = turned ^ np.array([_says_turned(name) for name in names])
    return number, turned


def named_plates(history: History, turned: Bools) -> Ints:
    """A number for each named plate in each orientation, `[n]`; −1 where the plate has no name."""
    names: dict[tuple[str, bool], int] = {}
    number = [
        -1 if name is None else names.setdefault((name, bool(way)), len(names))
        for name, way in zip(history.plate, turned, strict=True)
    ]
    return np.array(number, dtype=np.intp)


def find_offsets(u: Floats, plate: Ints, kind: Ints) -> dict[int, Floats]:
    """Heights `[m]` that each plate adds at the movable screws, against the newest one's; plates not told are left out.

    u `[n, m]`, plate `[n]` (−1: without a name), kind `[n]`: a change tells something only within one kind (band and
    span between works). Least absolute deviations over all changes, so that a jump at one of them counts for little.
    """
    changes = np.flatnonzero((np.diff(plate) != 0) & (np.diff(kind) == 0) & (plate[1:] >= 0) & (plate[:-1] >= 0)) + 1
    if changes.size < _LEAST_CHANGES:
        return {}
    before, after = plate[changes - 1], plate[changes]
    count = np.bincount(np.concatenate([before, after]), minlength=int(plate.max()) + 1)
    known = [int(p) for p in np.flatnonzero(count >= _LEAST_CHANGES)]
    newest = int(plate[-1])
    if newest not in known or len(known) < 2:
        return {}
    use = np.isin(before, known) & np.isin(after, known)
    changes, before, after = changes[use], before[use], after[use]
    rise = np.stack([_rise(u, plate, kind, int(at)) for at in changes])
    place = {p: k for k, p in enumerate(known)}
    design = np.zeros((changes.size, len(known)))
    design[np.arange(changes.size), [place[int(p)] for p in after]] += 1.0
    design[np.arange(changes.size), [place[int(p)] for p in before]] -= 1.0
    design = np.delete(design, place[newest], axis=1)
    if np.linalg.matrix_rank(design) < design.shape[1]:
        return {}
    others = [p for p in known if p != newest]
    fitted = np.stack([_least_absolute(design, rise[:, k]) for k in range(u.shape[1])], axis=1)
    return {newest: np.zeros(u.shape[1])} | {p: fitted[k] for k, p in enumerate(others)}


def _rise(u: Floats, plate: Ints, kind: Ints, at: int) -> Floats:
    """Heights after a change less those before, each of up to three readings of the plates beside it."""
    left, right = at - 1, at
    while left > 0 and at - left < _BESIDE and (plate[left - 1], kind[left - 1]) == (plate[left], kind[left]):
        left -= 1
    last = min(len(u) - 1, at + _BESIDE - 1)
    while right < last and (plate[right + 1], kind[right + 1]) == (plate[at], kind[at]):
        right += 1
    rise: Floats = np.median(u[at : right + 1], axis=0) - np.median(u[left:at], axis=0)
    return rise


def _least_absolute(design: Floats, y: Floats) -> Floats:
    """Least absolute deviations by reweighted least squares."""
    weight = np.ones(len(y))
    fit: Floats = np.zeros(design.shape[1])
    for _ in range(_ROUNDS):
        root = np.sqrt(weight)[:, None]
        fit = np.asarray(np.linalg.lstsq(design * root, y * root[:, 0], rcond=None)[0], dtype=np.float64)
        weight = 1.0 / np.maximum(np.abs(y - design @ fit), _LEAST_MM)
    return fit


def _says_turned(text: str) -> bool:
    return re.search(r"(?<![a-z])turned(?![a-z])", text.casefold()) is not None
