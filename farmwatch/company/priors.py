"""What a company has learned of a model, as rates with intervals, and as a file that a site may take over.

farmwatch.priors/1, JSON: by model, how often a screw jumps and, by method, how often a repaired machine needs work
again; each as a gamma distribution (its shape, and the machine-days it is worth) with its mean and 80 % interval. And
how common each kind of drift is, as `follow` knows the kinds: from these a site's forecasts start.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import orjson

from farmwatch.company.learned import DAYS_A_MONTH, Count, Evidence, ModelEvidence
from farmwatch.company.pooling import Pooled, Rate, pool, pool_shares
from farmwatch.errors import InputError
from farmwatch.follow import DriftPrior
from farmwatch.store import Store
from farmwatch.store.records import LearnedDrift
from farmwatch.text import count, spaced
from farmwatch.tickets import Durability

__all__ = [
    "SCHEMA",
    "Learned",
    "LearnedKinds",
    "LearnedRepair",
    "learn",
    "prior_sentences",
    "priors_document",
    "read_priors",
    "take_priors",
]

SCHEMA = "farmwatch.priors/1"
# Kinds of drift that come to less than 0.005 mm a week.
_STILL = ("still", "slope 0.002")


@dataclass(frozen=True, slots=True, kw_only=True)
class LearnedRepair:
    """How long repairs of one kind hold on one model: the rate of needing work again, a machine-day."""

    method: str
    repairs: int
    ended: int
    pooled: Pooled


@dataclass(frozen=True, slots=True, kw_only=True)
class LearnedKinds:
    """How common each kind of drift is among the machines of one model, of all sites that have learned it."""

    machines: int
    weights: Mapping[str, float]
    moving: Rate
    """Share of machines that do not stand still, at any site."""


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
    drift: LearnedKinds | None
    """None where no site has learned it yet: that takes eight machines of the model, and a night's work."""


def learn(
    by_site: Mapping[str, Evidence], whole: Evidence, drift: Mapping[str, Mapping[str, LearnedDrift]]
) -> tuple[Learned, ...]:
    """Every model of the company, by name."""
    found = []
    for model, together in whole.models.items():
        sites = [
            (name, evidence.models[model]) for name, evidence in sorted(by_site.items()) if model in evidence.models
        ]
        kinds = _kinds([drift[name][model] for name in sorted(drift) if model in drift[name]])
        found.append(_model(model, sites, together, kinds))
    return tuple(found)


def _model(
    model: str, sites: Sequence[tuple[str, ModelEvidence]], whole: ModelEvidence, drift: LearnedKinds | None
) -> Learned:
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
        drift=drift,
    )


def _kinds(sites: Sequence[LearnedDrift]) -> LearnedKinds | None:
    """Each site's weights count by the machines that told them; sites that know other kinds of drift are left out."""
    known = [one for one in sites if DriftPrior.of(one.weights) is not None and one.machines > 0]
    told = pool_shares([one.machines * _moving(one.weights) for one in known], [float(one.machines) for one in known])
    if told is None:
        return None
    machines = sum(one.machines for one in known)
    weights = {
        kind: math.fsum(one.machines * one.weights[kind] for one in known) / machines for kind in known[0].weights
    }
    return LearnedKinds(machines=machines, weights=dict(sorted(weights.items())), moving=told[1])


def _moving(weights: Mapping[str, float]) -> float:
    return 1.0 - math.fsum(weights.get(kind, 0.0) for kind in _STILL)


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
                "drift": None
                if one.drift is None
                else {
                    "machines": one.drift.machines,
                    "weights": {kind: round(weight, 6) for kind, weight in one.drift.weights.items()},
                    "moving": {name: round(getattr(one.drift.moving, name), 4) for name in ("mean", "low", "high")},
                },
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


def read_priors(file: Path) -> dict[str, Any]:
    """A file of priors; raises InputError for what is none, or of another version."""
    try:
        document: Any = orjson.loads(file.read_bytes())
    except OSError as fault:
        raise InputError(f"{file}: cannot be read: {fault.strerror or fault}") from None
    except orjson.JSONDecodeError:
        raise InputError(f"{file}: is no JSON; wanted the .priors.json beside a company's report") from None
    schema = document.get("schema") if isinstance(document, dict) else None
    if schema != SCHEMA:
        said = schema if isinstance(schema, str) else "another program's"
        raise InputError(f"{file}: is {said[:60]}; wanted {SCHEMA}, the .priors.json beside a company's report")
    try:
        prior_sentences(document)
        for one in document["models"].values():
            dict(one["drift"]["weights"] if one["drift"] else {})
    except (KeyError, TypeError, ValueError, AttributeError):
        raise InputError(f"{file}: is not whole: fetch it again from beside the company's report") from None
    return dict(document)


def take_priors(store: Store, document: Mapping[str, Any], models: Collection[str], at: datetime) -> list[str]:
    """Let a farm begin with what its company has learned of its models; a sentence on each. Raises StoreError.

    From now on forecasts start from the company's kinds of drift; what the farm learns itself is drawn towards them.
    """
    known = {name: one for name, one in document["models"].items() if name in models}
    drift = [
        LearnedDrift(model=name, learned_at=at, machines=int(one["drift"]["machines"]), weights=one["drift"]["weights"])
        for name, one in known.items()
        if one["drift"] and DriftPrior.of(one["drift"]["weights"]) is not None
    ]
    store.take_priors(orjson.dumps(document).decode(), drift, at)
    taken = {one.model for one in drift}
    said = prior_sentences({**document, "models": known})
    said += [
        f"{name}: its kinds of drift are not those of this farmwatch, or not learned yet; forecasts start as before."
        for name in known
        if name not in taken
    ]
    return said + [f"{name}: the company has no machine of this model." for name in sorted(set(models) - set(known))]


def prior_sentences(document: Mapping[str, Any]) -> list[str]:
    """What a document says of each model, a sentence each."""
    said = []
    for name, one in sorted(document["models"].items()):
        if one["jumps"]:
            jumps = {key: 100 * float(value) for key, value in one["jumps"]["per_machine_month"].items()}
            said.append(
                f"{name}: of 100 machines {jumps['mean']:.2g} jump in a month (80 %: {jumps['low']:.2g} to "
                f"{jumps['high']:.2g}), from {int(one['machines']):,} at {count(int(one['sites']), 'site')}."
            )
        if one["drift"]:
            moving = {key: round(100 * float(value)) for key, value in one["drift"]["moving"].items()}
            said.append(f"{name}: {moving['mean']} % drift (80 %: {moving['low']} to {moving['high']} %).")
        for method, repair in sorted(one["repairs"].items()):
            if repair["repairs"] >= Durability.REPAIRS_NEEDED:
                weeks = math.log(2.0) * DAYS_A_MONTH / 7.0 / float(repair["per_machine_month"]["mean"])
                said.append(
                    f"{name}: half of the repairs by {spaced(method)} last about {weeks:,.0f} weeks "
                    f"(n = {int(repair['repairs']):,}, {int(repair['ended']):,} needed work again)."
                )
    return said
