"""One mesh seen during a realignment, measured for the next move. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import numpy as np

from farmwatch.measure import grid_points, influence, measure_stack, simulated_range_sd
from farmwatch.mesh import Floats, Mesh
from farmwatch.model import Model

__all__ = ["BedState", "bed_state"]

DEFAULT_SIGMA_MM = 0.01


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BedState:
    """A mesh and what it says of the screws; lengths mm."""

    taken_at: datetime
    mesh: Mesh
    range_mm: float
    """The raw figure, spikes and all."""
    range_sd_mm: float
    heights_mm: Floats
    """`[k]` the bed at each screw, relative to the reference screw."""
    heights_covariance: Floats
    """`[k, k]`"""
    z: Floats
    """`[points]` row by row from the front, NaN where missing or a spike."""
    influence: Floats
    """`[k, points]`"""
    best_reachable_mm: float
    """F: what the best real-number setting of the screws would leave."""
    sigma_mm: float
    """sd of a probed point."""

    @property
    def range_without_spikes_mm(self) -> float:
        """The range without spikes."""
        return float(np.nanmax(self.z) - np.nanmin(self.z))


def bed_state(mesh: Mesh, model: Model, taken_at: datetime, sigma_mm: float | None = None) -> BedState:
    """Measure one mesh; sigma_mm is the sd of a probed point, the model's if left out."""
    where = model.screws_xy
    sigma_mm = sigma_mm or model.probe_sigma_mm or DEFAULT_SIGMA_MM
    found = measure_stack(mesh.x, mesh.y, mesh.z[None], where, model.reference_index, sigma_mm)
    spread = influence(where, model.reference_index, *grid_points(mesh.x, mesh.y))
    clean = np.where(found.spikes[0], np.nan, mesh.z).ravel()
    here = np.isfinite(clean)
    still = np.zeros((len(model.screws), len(model.screws)))
    sd = simulated_range_sd(clean[here], sigma_mm, spread[:, here], still, np.random.default_rng(7), draws=200)
    return BedState(
        taken_at=taken_at,
        mesh=mesh,
        range_mm=float(found.range_mm[0]),
        range_sd_mm=float(sd),
        heights_mm=found.heights[0],
        heights_covariance=found.heights_covariance[0],
        z=clean,
        influence=spread,
        best_reachable_mm=float(found.flatness_mz[0]),
        sigma_mm=sigma_mm,
    )
