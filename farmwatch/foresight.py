"""What the farm learns of drift from its own histories, what it said of the days to come, and how right that was.

The night's work learns once a week and keeps each week's forecasts; nothing else writes them.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np

from farmwatch.config import Settings
from farmwatch.follow import DriftPrior, ForecastScore, learn_priors, score_forecasts
from farmwatch.judge import Assessment, FleetAssessment
from farmwatch.measure import MeasuredHistory, measure_histories
from farmwatch.store import Store
from farmwatch.store.records import LearnedDrift, SaidForecast

__all__ = ["how_right", "keep_forecasts", "learn_drift"]

_LEARN_EVERY = timedelta(days=6)
_MACHINES_A_BLOCK = 250
_DAY = 86400.0


def learn_drift(settings: Settings, store: Store, at: datetime) -> list[LearnedDrift]:
    """Learn how common each kind of drift is from every history of the farm, and keep it; nothing within six days.

    Raises StoreError.
    """
    before = store.learned_drift(at)
    if any(at - one.learned_at < _LEARN_EVERY for one in before.values()):
        return []
    priors = learn_priors(_blocks(settings, store, at), _of_the_company(store, at))
    learned = [
        LearnedDrift(model=model, learned_at=at, machines=machines, weights=prior.by_name())
        for model, (prior, machines) in priors.items()
    ]
    store.add_learned_drift(learned)
    return learned


def _of_the_company(store: Store, at: datetime) -> dict[str, DriftPrior]:
    """By model, what the company's other sites have learned, where the farm has taken it over."""
    text = store.company_priors(at)
    models = {} if text is None else json.loads(text)["models"]
    found = {model: DriftPrior.of(one["drift"]["weights"]) for model, one in models.items() if one["drift"]}
    return {model: prior for model, prior in found.items() if prior is not None}


def keep_forecasts(store: Store, fleet: FleetAssessment, week: str) -> None:
    """Keep what `fleet` says of each machine within its limit, once an ISO week ("2026-W47"), and what came of before.

    Raises StoreError.
    """
    machines = {one.machine: one for one in fleet.machines}
    said = store.said_forecasts(fleet.at)
    settled = [_settled(one, machines[one.machine]) for one in said if _is_open(one) and one.machine in machines]
    store.settle_forecasts([one for one in settled if not _is_open(one)])
    known = {one.machine for one in said if one.week == week}
    store.add_said_forecasts(
        [
            SaidForecast(
                machine=one.machine, week=week, said_at=fleet.at, chance=one.forecast.chance, p10=one.forecast.p10,
                p50=one.forecast.p50, p90=one.forecast.p90, horizon_days=one.forecast.horizon_days,
            )
            for one in fleet.machines
            if one.forecast is not None and one.machine not in known and one.condition in ("ideal", "usable")
            and one.in_service
        ]
    )  # fmt: skip


def how_right(store: Store, at: datetime) -> ForecastScore:
    """How right the kept forecasts were, as far as that could be known at `at` (aware). Raises StoreError."""
    with store.one_state():
        said = store.said_forecasts(at)
        newest = store.last_digests(until=at)
    watched = {name: last.taken_at for name, last in newest.items()}

    def days(since: datetime, then: datetime | None) -> float:
        return np.inf if then is None else (then - since).total_seconds() / _DAY

    return score_forecasts(
        chance=np.array([one.chance for one in said]),
        p10=np.array([np.inf if one.p10 is None else one.p10 for one in said]),
        p90=np.array([np.inf if one.p90 is None else one.p90 for one in said]),
        horizon=np.array([float(one.horizon_days) for one in said]),
        passed=np.array([days(one.said_at, one.passed_at) for one in said]),
        watched=np.array([days(one.said_at, watched.get(one.machine, one.said_at)) for one in said]),
        ended=np.array([days(one.said_at, one.ended_at) for one in said]),
    )


def _blocks(settings: Settings, store: Store, at: datetime) -> Iterator[list[MeasuredHistory]]:
    for begin in range(0, len(settings.machines), _MACHINES_A_BLOCK):
        models = {one.name: one.model for one in settings.machines[begin : begin + _MACHINES_A_BLOCK]}
        histories = store.histories(list(models), at, settings.read_by)
        of_models = [settings.models[models[name]] for name in histories]
        yield measure_histories(list(histories.values()), of_models, at)


def _is_open(one: SaidForecast) -> bool:
    return one.passed_at is None and one.ended_at is None


def _settled(one: SaidForecast, now: Assessment) -> SaidForecast:
    """With what came of it: the limit passed by drift, or a step (work, a jump, another plate) first."""
    since = now.since if now.condition == "past-limit" and now.confirmed and now.in_service else None
    passed = since if since is not None and since > one.said_at else None
    ended = min((step.at for step in now.steps if step.at > one.said_at), default=None)
    if ended is not None and passed is not None and ended <= passed:
        passed = None
    return replace(one, passed_at=passed, ended_at=None if passed is not None else ended)
