"""Reversal: the plate turned by half a turn tells its own form from the machine's.

The classic reversal of straightness measurement (Evans, Hocken & Estler, Self-calibration: reversal, redundancy, error
separation and absolute testing, CIRP Annals 45/2, 1996), over a bed: a mesh e1 = frame + plate, and after half a turn
e2 = frame + plate turned. What is odd under a half turn is told apart exactly:

    odd part of plate = odd part of (e1 - e2) / 2        odd part of frame = odd part of (e1 + e2) / 2

What is even under it (a bowl, a saddle, a twist) looks the same either way: of it only the sum of both is known. It is
shared out by parsimony. When one of the two shows no odd part, the even part is the other's, unless it is so much
larger than that one's odd part that it must have a cause of its own. When both do, it goes, at each pair of opposite
points, to whichever is already known to be bent there, as far as that makes one of its two points flat (a bent corner
is bent at one end only). What is left over is nobody's: undecided. Planes belong to the screws and are left free.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from farmwatch.follow.findings import PlateForm, Reversal
from farmwatch.measure import interpolate
from farmwatch.mesh import Floats

__all__ = ["reverse", "separate"]

# Less than this, or than so many sd of a point, is no form worth a name.
_LEAST_MM, _LEAST_SD = 0.03, 5.0
_CLEARLY = 2.0
# An even part this many times its owner's odd part (rms) has a cause of its own.
_EVEN_TO_ODD = 3.0
# An odd part, peak to valley, shows from here on; noise alone gives about 1.6 sd of the difference of the means.
_LEAST_ODD_MM, _LEAST_ODD_SD = 0.01, 3.0
_ROUNDS = 30


def reverse(forms: Sequence[PlateForm], centre: tuple[float, float] | None = None) -> Reversal | None:
    """What the latest turn of a plate tells; None where it was not read both ways round, or on too few points.

    forms: spells in time order. centre: what the plate is turned about, mm; the middle of the grid where None.
    """
    pair = _latest_pair(forms)
    if pair is None:
        return None
    straight, turned = pair
    sd = float(np.hypot(straight.sd, turned.sd))
    parts = separate(straight.x, straight.y, straight.mean, turned.mean, centre, sd)
    if parts is None:
        return None
    plate_mm, frame_mm, undecided_mm = (_height(part) for part in parts)
    return Reversal(
        plate=_bare(straight.plate),
        plate_mm=plate_mm,
        frame_mm=frame_mm,
        undecided_mm=undecided_mm,
        sd_mm=sd,
        verdict=_verdict(plate_mm, frame_mm, undecided_mm, max(_LEAST_MM, _LEAST_SD * sd)),
    )


def separate(
    x: Floats,
    y: Floats,
    straight: Floats,
    turned: Floats,
    centre: tuple[float, float] | None = None,
    sd: float = 0.0,
) -> tuple[Floats, Floats, Floats] | None:
    """Forms (plate as it lies straight, frame, undecided) `[r, c]` from mean forms before and after a half turn.

    On axes x `[c]`, y `[r]`, turned about `centre`; `sd` is that of a point of the means. NaN where a point has no
    opposite; None with fewer than 9 pairs. What is found has no plane in it.
    """
    middle = centre or (float(x[0] + x[-1]) / 2, float(y[0] + y[-1]) / 2)
    difference, total = (straight - turned) / 2, (straight + turned) / 2
    opposite = [_half_turn(x, y, part, middle) for part in (difference, total)]
    here = np.isfinite(difference + total + opposite[0] + opposite[1])
    if here.sum() < 9:
        return None
    lever = np.stack(np.meshgrid(x - middle[0], y - middle[1]), axis=-1)[here]
    plate_odd, frame_odd = ((difference - opposite[0]) / 2)[here], ((total - opposite[1]) / 2)[here]
    even = ((total + opposite[1]) / 2)[here]
    shares = _shares(lever, plate_odd, frame_odd, even, max(_LEAST_ODD_MM, _LEAST_ODD_SD * sd))
    parts = plate_odd + shares[0], frame_odd + shares[1], even - shares[0] - shares[1]
    plate, frame, undecided = (np.full(here.shape, np.nan) for _ in parts)
    for whole, part in zip((plate, frame, undecided), parts, strict=True):
        whole[here] = _without_plane(lever, part)
    return plate, frame, undecided


def _shares(lever: Floats, plate: Floats, frame: Floats, even: Floats, least: float) -> tuple[Floats, Floats]:
    """What of the even part is the plate's and the frame's, from the odd parts of both."""
    shows = float(np.ptp(plate)) > least, float(np.ptp(frame)) > least
    nothing = np.zeros(len(even))
    if shows[0] != shows[1]:
        odd = plate if shows[0] else frame
        own = even if _rms(even) <= _EVEN_TO_ODD * _rms(odd) else nothing
        return (own, nothing) if shows[0] else (nothing, own)
    if not shows[0]:
        return nothing, nothing
    bent = np.abs(_leveled(lever, plate)), np.abs(_leveled(lever, frame))
    raised = even - np.median(even)
    known = np.minimum(np.abs(raised), bent[0] + bent[1]) * np.sign(raised)
    part = known / np.maximum(bent[0] + bent[1], 1e-12)
    return part * bent[0], part * bent[1]


def _rms(values: Floats) -> float:
    return float(np.sqrt(np.mean(values**2)))


def _without_plane(lever: Floats, form: Floats) -> Floats:
    design = np.column_stack([np.ones(len(form)), lever])
    flat: Floats = form - design @ np.linalg.lstsq(design, form, rcond=None)[0]
    return flat


def _latest_pair(forms: Sequence[PlateForm]) -> tuple[PlateForm, PlateForm] | None:
    """The latest spell, and the latest before it of the same plate the other way round: (straight, turned)."""
    for later in range(len(forms) - 1, 0, -1):
        new = forms[later]
        for old in reversed(forms[:later]):
            if old.turned != new.turned and _bare(old.plate) == _bare(new.plate):
                return (old, new) if new.turned else (new, old)
    return None


def _bare(plate: str | None) -> str | None:
    """A plate's name without the word that says how it lies."""
    if plate is None:
        return None
    words = plate.replace("-", " ").replace("_", " ").split()
    if "turned" not in [word.casefold() for word in words]:
        return plate
    return " ".join(word for word in words if word.casefold() != "turned") or None


def _half_turn(x: Floats, y: Floats, form: Floats, centre: tuple[float, float]) -> Floats:
    opposite = interpolate(x, y, form[None], np.sort(2 * centre[0] - x), np.sort(2 * centre[1] - y))[0]
    turned: Floats = opposite[::-1, ::-1]
    return turned


def _leveled(lever: Floats, odd: Floats) -> Floats:
    """Take the plane through the centre away that leaves the least sum of absolute heights (reweighted squares)."""
    weight = np.ones(len(odd))
    slope: Floats = np.zeros(2)
    for _ in range(_ROUNDS):
        weighted = lever * weight[:, None]
        slope = np.asarray(np.linalg.lstsq(weighted.T @ lever, weighted.T @ odd, rcond=None)[0], dtype=np.float64)
        weight = 1.0 / np.maximum(np.abs(odd - lever @ slope), 1e-4)
    leveled: Floats = odd - lever @ slope
    return leveled


def _height(form: Floats) -> float:
    here = form[np.isfinite(form)]
    return float(np.ptp(here))


def _verdict(plate: float, frame: float, undecided: float, least: float) -> str:
    if max(plate, frame, undecided) < least:
        return "neither"
    if undecided >= max(plate, frame):
        return "unclear"
    if plate >= _CLEARLY * frame or frame < least:
        return "plate"
    if frame >= _CLEARLY * plate or plate < least:
        return "frame"
    return "both"
