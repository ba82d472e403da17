"""A mesh made ready to be drawn: heights above the reference screw, false readings left out. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from farmwatch.measure import least_squares_plane
from farmwatch.mesh import Mesh
from farmwatch.model import Model

__all__ = ["from_reference", "lowest_and_highest", "without"]

Place = tuple[float, float, float]


def without(mesh: Mesh, spikes: Sequence[tuple[float, float]]) -> Mesh:
    """The mesh with its spikes (x, y) left out."""
    if not spikes:
        return mesh
    z = mesh.z.copy()
    for x, y in spikes:
        z[int(np.argmin(np.abs(mesh.y - y))), int(np.argmin(np.abs(mesh.x - x)))] = np.nan
    return replace(mesh, z=z)


def from_reference(mesh: Mesh, model: Model) -> Mesh:
    """The mesh with the height of its least-squares plane at the reference screw as zero."""
    plane = least_squares_plane(*mesh.points())
    screw = model.screws[model.reference_index]
    height = np.ravel(plane.at(screw.x_mm, screw.y_mm)).item()
    return replace(mesh, z=mesh.z - height)


def lowest_and_highest(mesh: Mesh) -> tuple[Place, Place]:
    """The lowest and the highest point (x, y, z); the first in row order where several tie."""
    found = []
    for flat in (int(np.nanargmin(mesh.z)), int(np.nanargmax(mesh.z))):
        r, c = divmod(flat, mesh.columns)
        found.append((float(mesh.x[c]), float(mesh.y[r]), float(mesh.z[r, c])))
    return found[0], found[1]
