"""The figures of one reading as they are shown, judged or not."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from farmwatch.eligibility import why_not_judged
from farmwatch.history import History
from farmwatch.judge.assessment import FormFacts, ReadingFacts, ScrewHeight, Spike, TiltFacts, Trace
from farmwatch.measure import MachineMeasures, ReadingMeasures
from farmwatch.mesh import Mesh
from farmwatch.model import Model
from farmwatch.times import from_epoch

__all__ = ["find_tilt", "form_facts", "reading_facts", "screw_facts", "spike_facts", "trace_of"]

# A side of the bed is called high when it stands this much over the other.
LEAST_LEAN_MM = 0.02


def reading_facts(history: History, i: int, good: NDArray[np.bool_], model: Model) -> ReadingFacts:
    """The reading at place `i` of the history; `good [n]` says which are judged."""
    mesh, celsius = history.mesh(i), float(history.bed_celsius[i])
    return ReadingFacts(
        taken_at=from_epoch(history.taken_at[i]),
        time_from=str(history.time_from[i]),
        rows=mesh.rows,
        columns=mesh.columns,
        bed_celsius=celsius if np.isfinite(celsius) else None,
        plate=history.plate[i],
        judged=bool(good[i]),
        why_not_judged="" if good[i] else why_not_judged(history, i, model),
    )


def find_tilt(figures: ReadingMeasures, mesh: Mesh) -> TiltFacts:
    """Slope of the least-squares plane and the side that stands higher."""
    wide = figures.bx * float(np.ptp(mesh.x))
    deep = figures.by * float(np.ptp(mesh.y))
    side = None
    if max(abs(wide), abs(deep)) >= LEAST_LEAN_MM:
        along_x = abs(wide) >= abs(deep)
        side = ("right" if wide > 0 else "left") if along_x else ("rear" if deep > 0 else "front")
    return TiltFacts(x_mm_per_m=figures.bx * 1000, y_mm_per_m=figures.by * 1000, high_side=side)


def form_facts(figures: ReadingMeasures, best_reachable_mm: float) -> FormFacts:
    """The form of a reading; best_reachable_mm is its F."""
    return FormFacts(
        flatness_ls_mm=figures.flatness_ls_mm,
        flatness_mz_mm=best_reachable_mm,
        rms_mm=figures.rms_mm,
        shape=figures.shape,
    )


def spike_facts(figures: ReadingMeasures, mesh: Mesh) -> tuple[Spike, ...]:
    """The spikes of a reading, front row first."""
    return tuple(
        Spike(row=r, column=c, x_mm=float(mesh.x[c]), y_mm=float(mesh.y[r]), stands_off_mm=off)
        for r, c, off in figures.spikes
    )


def screw_facts(figures: ReadingMeasures, model: Model) -> tuple[ScrewHeight, ...]:
    """The height of the bed at each screw, in the model's order."""
    return tuple(
        ScrewHeight(
            name=screw.name,
            height_mm=float(figures.heights_mm[i]),
            sd_mm=0.0 if screw.reference else float(figures.heights_sd_mm[i]),
            reference=screw.reference,
        )
        for i, screw in enumerate(model.screws)
    )


def trace_of(history: History, measures: MachineMeasures, good: NDArray[np.bool_]) -> Trace:
    """The history line of the range."""
    return Trace(
        at=tuple(history.taken_at.tolist()),
        range_mm=tuple(measures.range_mm.tolist()),
        judged=tuple(good.tolist()),
    )
