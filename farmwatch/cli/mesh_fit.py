"""Whether a mesh that was just read fits what the configuration says of its machine: the screws, and the bed."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from farmwatch.eligibility import HOW_TO_COVER, share_of_bed
from farmwatch.history import Stack
from farmwatch.mesh import Floats, Mesh
from farmwatch.model import Model

__all__ = ["Misfit", "far_screws", "misfits"]

# Beyond half of what was probed, a height at a screw is more guess than measurement.
FAR_OUTSIDE_SHARE = 0.5
# From a quarter of it on the probe's noise is carried out to the screw more than once over.
OUTSIDE_SHARE = 0.25
# Nobody probes beside the bed; a little is left for how `bed` was measured.
BESIDE_BED_SHARE = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class Misfit:
    """Why what was read of a machine is of no use yet: what it is, what to do, and the figures."""

    what: str
    fix: str
    reason: str


def misfits(mesh: Mesh, model: Model) -> Iterator[Misfit]:
    """What of a mesh contradicts its model, or would keep it from ever being judged."""
    reasons = [*_screws_outside(mesh, model), *_beside_the_bed(mesh, model)]
    for reason in reasons:
        yield Misfit(
            what="the coordinates do not fit the machine",
            fix="give the first and last probed position in mm as x and y of the mapping; the same origin holds for "
            "`at` of the screws and for `bed`",
            reason=reason,
        )
    if not reasons:
        yield from _too_little(mesh, model)


def far_screws(mesh: Mesh, model: Model) -> Iterator[str]:
    """The screws at which the height is carried far beyond the mesh; none where the coordinates do not fit at all."""
    if any(_screws_outside(mesh, model)):
        return
    for screw in model.screws:
        for name, axis, at in (("x", mesh.x, screw.x_mm), ("y", mesh.y, screw.y_mm)):
            low, high = _ends(axis)
            share = max(low - at, at - high) / (high - low)
            if share > OUTSIDE_SHARE:
                yield (
                    f"{screw.name} stands {max(low - at, at - high):.4g} mm outside the mesh in {name}, {share:.0%} of "
                    "what was probed: its height is more guess than measurement; probe nearer to it, or correct `at`"
                )


def _screws_outside(mesh: Mesh, model: Model) -> Iterator[str]:
    places = {"x": [screw.x_mm for screw in model.screws], "y": [screw.y_mm for screw in model.screws]}
    for name, axis, at in (("x", mesh.x, places["x"]), ("y", mesh.y, places["y"])):
        low, high = _ends(axis)
        if max(low - min(at), max(at) - high) > FAR_OUTSIDE_SHARE * (high - low):
            yield (
                f"the mesh spans {high - low:.4g} mm in {name} ({low:.4g} to {high:.4g}), "
                f"the screws {max(at) - min(at):.4g} mm ({min(at):.4g} to {max(at):.4g})"
            )


def _beside_the_bed(mesh: Mesh, model: Model) -> Iterator[str]:
    if model.bed is None:
        return
    left, front, right, rear = model.bed
    for name, axis, (first, last) in (("x", mesh.x, (left, right)), ("y", mesh.y, (front, rear))):
        low, high = _ends(axis)
        if max(first - low, high - last) > BESIDE_BED_SHARE * (last - first):
            yield f"the mesh reaches from {low:.4g} to {high:.4g} mm in {name}, `bed` from {first:.4g} to {last:.4g}"


def _too_little(mesh: Mesh, model: Model) -> Iterator[Misfit]:
    stack = Stack(x=mesh.x, y=mesh.y, z=mesh.z[None], index=np.zeros(1, dtype=np.intp))
    share = float(share_of_bed(stack, model)[0])
    if share + 1e-9 < model.covered_share:
        yield Misfit(
            what="would never be judged",
            fix=HOW_TO_COVER,
            # Cut, not rounded: 69.96 % must not read as the 70 % that it is not.
            reason=f"the mesh covers {math.floor(share * 100)} % of `bed`, "
            f"at least {model.covered_share * 100:.4g} % is wanted",
        )


def _ends(axis: Floats) -> tuple[float, float]:
    return float(axis[0]), float(axis[-1])
