"""Whether a repair held: the verdict of the next probings after it. Pure.

A repair is proven when the next probings (two, unless the farm says otherwise) are at or under the usable limit, or
the range that was predicted plus its noise, in the temperature band in which it was found; otherwise it came back.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from farmwatch.eligibility import BAND_CELSIUS
from farmwatch.mesh import Floats

__all__ = ["LEAST_APART_SECONDS", "Passed", "RepairVerdict", "in_band", "judge_repair"]

Passed = Literal["not-judged", "too-soon", "other-band"]
"""Why a probing did not count."""

# Two meshes within the hour are one look at the machine (as for its condition).
LEAST_APART_SECONDS = 3600.0
NOISE_SD = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class RepairVerdict:
    """What the probings say so far; `index` are those that counted, in time order."""

    says: Literal["waiting", "proven", "came-back"]
    index: tuple[int, ...]
    bound_mm: float
    """At or under this a probing speaks for the repair."""
    at_tooth_floor: bool = False
    """Proven above the usable limit: as good as teeth allow."""
    passed_over: tuple[tuple[int, Passed], ...] = ()
    """The probings that did not count, in time order, and why."""


def judge_repair(
    taken_at: Floats,
    range_mm: Floats,
    celsius: Floats,
    judged: NDArray[np.bool_],
    *,
    since: float,
    usable_mm: float,
    predicted_mm: float | None,
    sd_mm: float,
    band_celsius: float | None,
    probings: int = 2,
) -> RepairVerdict:
    """The verdict of the probings after `since` (epoch s): arrays `[n]` in time order, celsius NaN where unknown.

    A probing counts where it is judged, at least an hour after the last that counted, and of the band (a reading
    without a temperature belongs to any). One that is over the bound ends it.
    """
    bound = usable_mm if predicted_mm is None else max(usable_mm, predicted_mm + NOISE_SD * sd_mm)
    counted: list[int] = []
    passed: list[tuple[int, Passed]] = []
    says: Literal["waiting", "proven", "came-back"] = "waiting"
    last = -np.inf
    for i in np.flatnonzero(taken_at > since).tolist():
        why = _why_not(judged[i], taken_at[i] - last, float(celsius[i]), band_celsius)
        if why is not None:
            passed.append((i, why))
            continue
        last = taken_at[i]
        counted.append(i)
        if range_mm[i] > bound:
            says = "came-back"
        elif len(counted) >= probings:
            says = "proven"
        if says != "waiting":
            break
    floor = says == "proven" and bool(max(range_mm[j] for j in counted) > usable_mm)
    return RepairVerdict(
        says=says, index=tuple(counted), bound_mm=bound, at_tooth_floor=floor, passed_over=tuple(passed)
    )


def _why_not(judged: bool, after: float, celsius: float, band: float | None) -> Passed | None:
    if not judged:
        return "not-judged"
    if after < LEAST_APART_SECONDS:
        return "too-soon"
    return None if in_band(celsius, band) else "other-band"


def in_band(celsius: float, band: float | None) -> bool:
    """Whether a bed temperature (NaN where unknown) is of the band around `band` (None: any is)."""
    return band is None or np.isnan(celsius) or abs(celsius - band) <= BAND_CELSIUS
