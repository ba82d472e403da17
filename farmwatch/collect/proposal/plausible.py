"""How much a block of numbers is like a mesh: by the words on the way to it, and by the numbers themselves.

The weights are a judgement, tried on answers of many shapes; only the order they give matters.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from farmwatch.collect.proposal.candidates import Candidate
from farmwatch.collect.proposal.inventory import Path, words, wordset
from farmwatch.mesh import LARGEST_MISSING_SHARE, Floats

__all__ = ["Plausibility", "plausibility"]

_HEIGHT_WORDS = wordset(
    """
    height heights mesh grid z dz zs deviation deviations surface flatness level levels relief topography sag
    probed map survey points matrix unevenness warp profile
    """
)
_BED_WORDS = wordset("bed plate table probe probing calibration surface mesh measured scan survey platform")
_OTHER_WORDS = wordset(
    """
    temp temps temperature temperatures thermal celsius heat heater heaters camera image pixel pixels thumbnail
    preview color colour colours palette pressure flow fan fans speed speeds rpm power voltage volts amps watts
    history log histogram counts time times duration vibration acceleration frequency frequencies resonance
    spectrum position positions layer layers filament weight load cpu memory network queue jobs job stock tools
    noise sigma sd std error errors repeatability mask valid samples humidity lux duty energy usage gain gains
    tolerance tolerances limit limits schedule calendar rate rates index ids radiance emissivity occupancy
    """
)
_STALE_WORDS = wordset("previous old last-year backup saved archive default reference ideal target nominal")
_FRESH_WORDS = wordset("latest current active now newest live")
_UNITS = {"um": 0.001, "mm": 1.0, "inch": 25.4}
_UNIT_WORDS = {
    "um": wordset("um µm μm micron microns micrometer micrometre micrometers micrometres"),
    "mm": wordset("mm millimeter millimetre millimeters millimetres"),
    "inch": wordset("in inch inches"),
}
# Beds between perfect and beyond hope, mm.
FLATTEST, WORST = 0.004, 8.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Plausibility:
    """How plausible it is, in which unit and listing, and what is not sure of that."""

    score: float
    unit: str
    serpentine: bool
    reasons: tuple[str, ...]
    unsure: tuple[str, ...]


def plausibility(candidate: Candidate, units_said: dict[Path, str]) -> Plausibility | None:
    """What to think of a candidate; None where it can be no mesh. `units_said`: texts of the answer that name one."""
    runs = candidate.runs
    here = runs[np.isfinite(runs)]
    if here.size < (1 - LARGEST_MISSING_SHARE) * runs.size or not here.size:
        return None
    spread = float(np.ptp(here))
    unit, unit_sure, unit_why = _unit(candidate, here, spread, units_said)
    rough, serpentine = _listing(runs) if candidate.layout != "points" else (_roughness(runs), False)
    certain = min(1.0, here.size / 25)
    score = candidate.evidence + _by_words(candidate.path) + _by_numbers(runs, here, spread * _UNITS[unit])
    score += 3.0 * certain * (1.0 - min(rough, 1.2))
    reasons = list(candidate.reasons)
    if rough < 0.5:
        reasons.append("neighbours are alike, as on a surface")
    named = sorted({word for step in candidate.path for word in words(step)} & (_HEIGHT_WORDS | _BED_WORDS))
    if named:
        reasons.append(f"its name speaks of {', '.join(named)}")
    if unit_why:
        reasons.append(unit_why)
    unsure = list(candidate.unsure)
    if not unit_sure:
        unsure.append(f"unit: {unit} by the size of the numbers (they span {spread:.4g})")
    if serpentine:
        unsure.append("serpentine: every second run fits its neighbours better backwards")
    return Plausibility(score=score, unit=unit, serpentine=serpentine, reasons=tuple(reasons), unsure=tuple(unsure))


def _by_words(path: Path) -> float:
    score = 0.0
    for depth, step in enumerate(reversed([step for step in path if isinstance(step, str)])):
        said = set(words(step))
        weight = (2.0, 1.2, 0.8)[depth] if depth < 3 else 0.4
        score += weight * bool(said & _HEIGHT_WORDS) + 0.6 * weight * bool(said & _BED_WORDS)
        score -= 1.6 * weight * bool(said & _OTHER_WORDS)
        score += 0.7 * bool(said & _FRESH_WORDS) - 3.5 * bool(said & _STALE_WORDS)
        if depth == 0 and said & {"x", "y", "xs", "ys"} and not said & _HEIGHT_WORDS:
            score -= 2.0
    return score


def _by_numbers(runs: Floats, here: Floats, spread_mm: float) -> float:
    if spread_mm == 0.0:
        return -6.0
    score = 0.0
    if FLATTEST <= spread_mm <= WORST:
        # Most beds lie within a few tenths to a few millimetres.
        score += 2.0 if 0.03 <= spread_mm <= 3.0 else 1.0
    else:
        score -= 4.0
    spread = float(np.ptp(here))
    score += 1.0 if abs(float(here.mean())) <= 1.5 * spread else -1.5
    score += 1.5 if here.min() < 0 < here.max() else 0.0
    whole = bool((here == np.rint(here)).all())
    score += -1.5 if whole else 0.5
    # A table of the coordinates themselves: every row alike, or every column.
    filled = np.where(np.isfinite(runs), runs, here.mean())
    if not np.ptp(filled, axis=0).any() or not np.ptp(filled, axis=1).any():
        score -= 6.0
    if np.unique(here).size <= 2:
        score -= 3.0
    return score


def _unit(candidate: Candidate, here: Floats, spread: float, said: dict[Path, str]) -> tuple[str, bool, str]:
    """The unit, whether the answer says so, and where."""
    for step in reversed(candidate.path):
        for word in words(step):
            for unit, names in _UNIT_WORDS.items():
                if word in names and word != "in":
                    return unit, True, f"its name says {unit}"
    near = [(path, unit) for path, unit in said.items() if path[:-1] == candidate.path[: len(path) - 1]]
    if near:
        _, unit = max(near, key=lambda item: len(item[0]))
        return unit, True, f"a text beside it says {unit}"
    largest = float(np.abs(here).max())
    if spread > 6.0 or (largest > 20.0 and spread > 1.0):
        return "um", False, ""
    return "mm", False, ""


def unit_of(text: str) -> str | None:
    """The unit a text names, None where it names none."""
    said = text.strip().lower()
    return next((unit for unit, names in _UNIT_WORDS.items() if said in names), None)


def _listing(runs: Floats) -> tuple[float, bool]:
    """Roughness of the better listing, and whether that is the one with every second run backwards."""
    plain = _roughness(runs)
    turned = runs.copy()
    turned[1::2] = turned[1::2, ::-1]
    other = _roughness(turned)
    return (other, True) if other < 0.5 * plain and runs.size >= 16 else (plain, False)


def _roughness(runs: Floats) -> float:
    """Mean square step between neighbours over twice the variance (von Neumann 1941): 1 for noise, near 0 if smooth."""
    variance = float(np.nanvar(runs))
    if variance == 0.0:
        return 1.0
    steps = np.concatenate([np.diff(runs, axis=0).ravel(), np.diff(runs, axis=1).ravel()])
    steps = steps[np.isfinite(steps)]
    return float(np.mean(steps**2) / (2.0 * variance)) if steps.size else 1.0
