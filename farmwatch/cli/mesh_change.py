"""Whether a fresh mesh reads as the last one in another unit, mirrored or turned: its mapping has changed."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import NamedTuple

import numpy as np

from farmwatch.mesh import Floats, Mesh

__all__ = ["change_of_mesh"]


class _Pose(NamedTuple):
    words: str
    key: str
    """The key of the mapping that does this."""
    turn: Callable[[Floats], Floats]


_POSES = (
    _Pose("", "", lambda z: z),
    _Pose("mirrored left to right", "first", lambda z: z[:, ::-1]),
    _Pose("mirrored front to rear", "first", lambda z: z[::-1]),
    _Pose("turned half round", "first", lambda z: z[::-1, ::-1]),
    _Pose("mirrored along a diagonal", "order", lambda z: z.T),
    _Pose("mirrored along a diagonal", "order", lambda z: z[::-1, ::-1].T),
    _Pose("turned a quarter", "order", lambda z: z.T[::-1]),
    _Pose("turned a quarter", "order", lambda z: z.T[:, ::-1]),
)
_FACTORS: Mapping[float, tuple[str, str]] = MappingProxyType(
    {
        1.0: ("", ""),
        -1.0: ("upside down", "sign"),
        25.4: ("25.4 times as high", "unit"),
        1 / 25.4: ("25.4 times as low", "unit"),
        1000.0: ("1000 times as high", "unit"),
        0.001: ("1000 times as low", "unit"),
    }
)
# Of what a mesh says (rms about its mean) so much may be left, since it was probed anew; as it was read before a
# multiple of that must be left.
_LEFT_AT_MOST, _LEFT_AS_IT_WAS = 0.3, 3.0
# One tilt looks much like another one turned, and screws are turned by hand: either the form without the tilt was
# turned along, or it is the same tilt to within the probe's noise.
_FORM_LEFT_AT_MOST, _SAME_TILT_LEFT_AT_MOST = 0.6, 0.12
# A bed as flat as the probe's noise looks like its own mirror.
_LEAST_RMS_MM = 1e-7


def change_of_mesh(before: Mesh, now: Mesh) -> str:
    """What a mesh reads as beside the last one, with the key to look at; empty where the mapping seems the same."""
    best, left, likeness = ("", ""), np.inf, np.zeros(0)
    as_it_was = np.inf
    scale = _rms(now.z)
    if not scale > _LEAST_RMS_MM:
        return ""
    for pose in _POSES:
        turned = pose.turn(before.z)
        if turned.shape != now.z.shape:
            continue
        for factor, (words, key) in _FACTORS.items():
            rest = _rms(now.z - factor * turned) / scale
            if pose.words or words:
                # The plainest reading comes first, and stays unless another is clearly nearer.
                if rest < 0.9 * left:
                    both = " and ".join(part for part in (pose.words, words) if part)
                    best, left = (both, " or ".join(f"`{one}`" for one in (pose.key, key) if one)), rest
                    likeness = factor * turned
            else:
                as_it_was = rest
    if left > _LEFT_AT_MOST or as_it_was < _LEFT_AS_IT_WAS * left:
        return ""
    form = _form(now.z)
    if left > _SAME_TILT_LEFT_AT_MOST and _rms(form - _form(likeness)) > _FORM_LEFT_AT_MOST * _rms(form):
        return ""
    words, key = best
    return f"reads as the last mesh {words}: was {key} changed?"


def _form(z: Floats) -> Floats:
    """The heights without their least-squares plane (rows and columns taken as evenly spaced)."""
    row, column = np.mgrid[0 : z.shape[0], 0 : z.shape[1]]
    places = np.stack([np.ones(z.shape), row, column], axis=-1)
    here = np.isfinite(z)
    plane, *_ = np.linalg.lstsq(places[here], z[here], rcond=None)
    form: Floats = z - places @ plane
    return form


def _rms(z: Floats) -> float:
    """Root mean square about the mean of the points present, mm."""
    here = np.isfinite(z)
    return float(np.std(z[here])) if here.any() else 0.0
