"""What the sites' machines have shown, by model: how often a screw jumps and how long a repair holds.

Counts and exposures only, so that evidence adds up; `pooling` turns it into rates with intervals.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from farmwatch.judge import FleetAssessment
from farmwatch.tickets import Figures

__all__ = ["DAYS_A_MONTH", "Count", "Evidence", "ModelEvidence", "evidence_of", "pooled_evidence"]

DAYS_A_MONTH = 365.25 / 12
_JUMPS = ("tooth-jump", "shift")
_DAY = 86400.0


@dataclass(frozen=True, slots=True)
class Count:
    """So many events in so many days of watching."""

    events: int
    days: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ModelEvidence:
    """Of the machines of one model at one site."""

    machines: int
    jumps: Count
    """Sudden changes that no repair or plate explains, and the days that the machines' meshes span."""
    repairs: Mapping[str, tuple[int, Count]]
    """By method: repairs that held their check, and how many of them needed work again in how many days."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """By model."""

    models: Mapping[str, ModelEvidence]


def evidence_of(fleet: FleetAssessment, figures: Figures | None) -> Evidence:
    """What some machines have shown until `fleet.at`; `figures` are of their tickets."""
    models: dict[str, list[tuple[int, float]]] = {}
    for machine in fleet.machines:
        times = machine.trace.at if machine.trace is not None else ()
        days = (times[-1] - times[0]) / _DAY if len(times) > 1 else 0.0
        jumps = sum(step.name in _JUMPS for step in machine.steps)
        models.setdefault(machine.model.name, []).append((jumps, days))
    repairs: dict[str, dict[str, tuple[int, Count]]] = {}
    for one in figures.durability if figures is not None else ():
        count = Count(one.ended, one.followed_days)
        repairs.setdefault(one.model, {})[one.method] = (one.repairs, count)
    return Evidence(
        models={
            model: ModelEvidence(
                machines=len(rows),
                jumps=Count(sum(jumps for jumps, _ in rows), math.fsum(days for _, days in rows)),
                repairs=repairs.get(model, {}),
            )
            for model, rows in sorted(models.items())
        }
    )


def pooled_evidence(parts: Sequence[Evidence]) -> Evidence:
    """All of it together; the same in any order."""
    names = sorted({name for part in parts for name in part.models})
    return Evidence(models={name: _added([p.models[name] for p in parts if name in p.models]) for name in names})


def _added(rows: Sequence[ModelEvidence]) -> ModelEvidence:
    methods = sorted({method for row in rows for method in row.repairs})
    repairs = {}
    for method in methods:
        mine = [row.repairs[method] for row in rows if method in row.repairs]
        repairs[method] = (sum(many for many, _ in mine), _counted([count for _, count in mine]))
    return ModelEvidence(
        machines=sum(row.machines for row in rows), jumps=_counted([row.jumps for row in rows]), repairs=repairs
    )


def _counted(counts: Sequence[Count]) -> Count:
    return Count(sum(count.events for count in counts), math.fsum(count.days for count in counts))
