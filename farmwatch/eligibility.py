"""Which readings count: a mesh of too little of the bed, a cold one or one taken out of service is only shown.

The one rule that following, judging and proving share. Values in, values out.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from farmwatch.history import History, Stack
from farmwatch.mesh import Floats
from farmwatch.model import Model

__all__ = [
    "BAND_CELSIUS", "HOW_TO_COVER", "find_followed", "find_judgeable", "how_to_be_judged", "share_of_bed",
    "since_replaced", "unit_doubt", "why_not_judged", "without_repeats",
]  # fmt: skip

HOW_TO_COVER = "widen the probed area, correct `bed` of the model, or lower covered_share in [limits]"
"""All ways out where a mesh covers too little of the bed."""
LIKE_INCHES_MM = (0.004, 0.016)
REPEATED_WITHIN_SECONDS = 3600.0
BAND_CELSIUS = 10.0
"""Bed temperatures further apart than this are not compared without more ado: a hot bed has another form."""


def since_replaced(history: History) -> History:
    """The history from the last note `replaced` on: what came before was another machine."""
    replaced = [note.at.timestamp() for note in history.notes if note.what == "replaced"]
    if not replaced:
        return history
    start = max(replaced)
    works = tuple(work for work in history.works if work.start.timestamp() >= start)
    return history.select(history.taken_at >= start, works=works)


def without_repeats(history: History) -> History:
    """The history without meshes that are the one before to the last bit, within the hour: a host that stamps anew."""
    near = np.diff(history.taken_at) <= REPEATED_WITHIN_SECONDS
    repeats = np.zeros(len(history), dtype=bool)
    for stack in history.stacks if near.any() else ():
        order = np.argsort(stack.index)
        index = stack.index[order]
        pairs = np.flatnonzero(np.diff(index) == 1)
        pairs = pairs[near[index[pairs]]]
        same = [np.array_equal(stack.z[order[i]], stack.z[order[i + 1]], equal_nan=True) for i in pairs]
        repeats[index[pairs + 1]] = same
    return history.select(~repeats) if repeats.any() else history


def find_judgeable(history: History, model: Model) -> NDArray[np.bool_]:
    """`[n]`: true where a reading may be judged, however old it is."""
    good = ~(_too_cold(history, model) | _out(history))
    return good & (_shares(history, model) >= model.covered_share)


def find_followed(history: History, model: Model) -> NDArray[np.bool_]:
    """`[n]`: true where a reading enters trends, steps and noise: one that may be judged, dated, and of no work."""
    dated: NDArray[np.bool_] = np.asarray(history.time_from != "unknown", dtype=bool)
    return find_judgeable(history, model) & ~history.during_work & dated


def why_not_judged(history: History, i: int, model: Model) -> str:
    """Why reading `i` of the history is shown and not judged, in words; empty where it is judged."""
    i = i % len(history)
    if _out(history)[i]:
        return "it was taken while the machine was out of service"
    if _too_cold(history, model)[i]:
        return f"the bed was at {history.bed_celsius[i]:.0f} °C, judged from {model.judge_from_celsius:.0f} °C on"
    share = float(_shares(history, model)[i])
    if share < model.covered_share:
        return f"it covers {share:.0%} of the bed, judged from {model.covered_share:.0%} on"
    return ""


def how_to_be_judged(history: History, i: int, model: Model) -> str:
    """What makes the next mesh one that is judged, where reading `i` is too cold or too small; else empty."""
    i = i % len(history)
    if _too_cold(history, model)[i]:
        return f"Mesh it with the bed at {model.judge_from_celsius:.0f} °C or more."
    if float(_shares(history, model)[i]) < model.covered_share:
        ways = HOW_TO_COVER.replace("of the model", f"of the model {model.name}")
        return f"Meshing the same points again changes nothing: {ways}."
    return ""


def share_of_bed(stack: Stack, model: Model) -> Floats:
    """`[n]`: share of the bed's area that the points present span, 1 where the model names no bed."""
    if model.bed is None:
        return np.ones(stack.z.shape[0])
    left, front, right, rear = model.bed
    here: NDArray[np.bool_] = np.isfinite(stack.z)
    wide = _span_within(stack.x, np.any(here, axis=1), left, right)
    deep = _span_within(stack.y, np.any(here, axis=2), front, rear)
    share: Floats = wide * deep / ((right - left) * (rear - front))
    return share


def unit_doubt(range_mm: float) -> str:
    """Why a mesh may be in another unit than mm: a range that few probes would repeat to; empty where it is none.

    Inches read as millimetres are 25.4 times too small: a bed of 0.4 mm then reads 0.016 mm.
    """
    low, high = LIKE_INCHES_MM
    if not low <= range_mm < high:
        return ""
    return f"its heights span only {range_mm:.3f} mm: are they inches, read as millimetres? See `unit` of its mapping"


def _span_within(axis: Floats, present: NDArray[np.bool_], low: float, high: float) -> Floats:
    first = np.clip(axis[present.argmax(axis=1)], low, high)
    last = np.clip(axis[axis.size - 1 - present[:, ::-1].argmax(axis=1)], low, high)
    span: Floats = last - first
    return span


def _shares(history: History, model: Model) -> Floats:
    shares = np.ones(len(history))
    for stack in history.stacks:
        # An exact share must not fail by a rounding.
        shares[stack.index] = share_of_bed(stack, model) + 1e-9
    return shares


def _too_cold(history: History, model: Model) -> NDArray[np.bool_]:
    if model.judge_from_celsius is None:
        return np.zeros(len(history), dtype=bool)
    # A temperature read at poll time says nothing of the bed at probing, and an unknown one cannot be held against it.
    cold: NDArray[np.bool_] = ~history.celsius_is_now & (history.bed_celsius < model.judge_from_celsius)
    return cold


def _out(history: History) -> NDArray[np.bool_]:
    inside = np.zeros(len(history), dtype=bool)
    for span in history.out_of_service:
        end = np.inf if span.until is None else span.until.timestamp()
        inside |= (history.taken_at >= span.since.timestamp()) & (history.taken_at < end)
    return inside
