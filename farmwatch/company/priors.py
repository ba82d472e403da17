"""What a company has learned of a model, as rates with intervals, and as a file that a site may take over.

farmwatch.priors/1, JSON: by model, how often a screw jumps and, by method, how often a repaired machine needs work
again; each as a gamma distribution (its shape, and the machine-days it is worth) with its mean and 80 % interval.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from farmwatch.company.learned import DAYS_A_MONTH, Count, Evidence, ModelEvidence
from farmwatch.company.pooling import Pooled, Rate, pool

__all__ = ["SCHEMA", "Learned", "LearnedRepair", "learn", "priors_document"]

SCHEMA = "farmwatch.priors/1"


@dataclass(frozen=True, slots=True, kw_only=True)
class LearnedRepair:
    """How long repairs of one kind hold on one model: the rate of needing work again, a machine-day."""

    method: str
    repairs: int
    ended: int
    pooled: Pooled


@dataclass(frozen=True, slots=True, kw_only=True)
class Learned:
    """Of one model across the sites."""

    model: str
    sites: tuple[str, ...]
    """Where it stands, in the order of `jumps.sites`."""
    machines: int
    seen: Count
    jumps: Pooled | None
    """A machine-day; None where its machines were never watched."""
    repairs: tuple[LearnedRepair, ...]


def learn(by_site: Mapping[str, Evidence], whole: Evidence) -> tuple[Learned, ...]:
    """Every model of the company, by name."""
    found = []
    for model, together in whole.models.items():
        sites = [
            (name, evidence.models[model]) for name, evidence in sorted(by_site.items()) if model in evidence.models
        ]
        found.append(_model(model, sites, together))
    return tuple(found)


def _model(model: str, sites: Sequence[tuple[str, ModelEvidence]], whole: ModelEvidence) -> Learned:
    repairs = []
    for method, (many, together) in whole.repairs.items():
        counts = [one.repairs.get(method, (0, Count(0, 0.0)))[1] for _, one in sites]
        pooled = pool([count.events for count in counts], [count.days for count in counts])
        if pooled is not None:
            repairs.append(LearnedRepair(method=method, repairs=many, ended=together.events, pooled=pooled))
    return Learned(
        model=model,
        sites=tuple(name for name, _ in sites),
        machines=whole.machines,
        seen=whole.jumps,
        jumps=pool([one.jumps.events for _, one in sites], [one.jumps.days for _, one in sites]),
        repairs=tuple(repairs),
    )


def priors_document(company: str, week: str, learned: Sequence[Learned]) -> dict[str, Any]:
    """As farmwatch.priors/1."""
    return {
        "schema": SCHEMA,
        "company": company,
        "week": week,
        "models": {
            one.model: {
                "sites": len(one.sites),
                "machines": one.machines,
                "jumps": None if one.jumps is None else _rate(one.jumps),
                "repairs": {
                    repair.method: {"repairs": repair.repairs, "ended": repair.ended, **_rate(repair.pooled)}
                    for repair in one.repairs
                },
            }
            for one in learned
        },
    }


def _rate(pooled: Pooled) -> dict[str, Any]:
    return {
        "gamma": {"shape": round(pooled.shape, 6), "machine_days": round(pooled.exposure, 3)},
        "per_machine_month": _months(pooled.new),
    }


def _months(rate: Rate) -> dict[str, float]:
    return {name: round(getattr(rate, name) * DAYS_A_MONTH, 6) for name in ("mean", "low", "high")}
