"""Machines measured, followed and judged anew, in blocks."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime

import numpy as np

from farmwatch.config import Machine, Settings
from farmwatch.findings.codec import Finding
from farmwatch.follow import HistoryFindings, follow_fleet
from farmwatch.judge import judge_fleet
from farmwatch.judge.learned import StepBelief, belief_from_turns
from farmwatch.judge.standing import standing
from farmwatch.measure import MeasuredHistory, measure_histories
from farmwatch.measure.machines import model_noise
from farmwatch.model import Model
from farmwatch.sources import Known, Source

__all__ = ["MACHINES_A_BLOCK", "Lender", "belief_of", "find_anew", "model_of"]

# Machines followed and judged together: enough to share the work, few enough to stay small in memory.
MACHINES_A_BLOCK = 250
# So many of a model tell what its probe is like; a tenth more or less is the same.
_LENDERS = 40
_COARSENESS = 1.1


@dataclass(frozen=True, slots=True, eq=False)
class Lender:
    """The noise of a point that machines with few readings borrow: of the first 40 machines of their model.

    The same whatever machines are asked for, and coarse, so that it hardly ever changes with a new reading.
    """

    settings: Settings
    source: Source
    at: datetime
    _known: dict[str, float] = field(default_factory=dict)

    def noise_mm(self, model: str) -> float:
        """In mm; 0 where none of them knows its own. May raise what the source raises."""
        if model not in self._known:
            machines = [machine for machine in self.settings.machines if machine.model == model][:_LENDERS]
            known = self.source.known([machine.name for machine in machines], self.at)
            histories = [known.history(machine.name) for machine in machines]
            measured = measure_histories(histories, [self.settings.models[model]] * len(machines), self.at)
            sigma = model_noise(measured).get(model, 0.0)
            step = math.log(_COARSENESS)
            self._known[model] = _COARSENESS ** round(math.log(sigma) / step) if sigma > 0 else 0.0
        return self._known[model]


def find_anew(
    settings: Settings, known: Known, at: datetime, machines: Sequence[Machine], lender: Lender, *, following: bool
) -> list[Finding]:
    """What is found of each machine at `at` (aware) from the histories in `known`; see `assess` for `following`."""
    found: list[Finding] = []
    for start in range(0, len(machines), MACHINES_A_BLOCK):
        some = machines[start : start + MACHINES_A_BLOCK]
        found += _find_block(settings, known, at, some, lender, following=following)
    return found


def belief_of(settings: Settings, machine: Machine, known: Known) -> StepBelief:
    """What the moves made on one machine say of its tooth step and of which way its screws turn."""
    model = settings.models[machine.model]
    turns = (
        (move.teeth, move.moved_mm, move.moved_sd_mm)
        for move in known.moves.get(machine.name, ())
        if move.teeth and move.moved_mm is not None and move.moved_sd_mm and move.counts_for(model)
    )
    return belief_from_turns(model, turns)


def model_of(settings: Settings, machine: Machine, belief: StepBelief) -> Model:
    """Its model, with the turning sense that is believed in."""
    model = settings.models[machine.model]
    return model if model.clockwise == belief.clockwise else replace(model, clockwise=belief.clockwise)


def _find_block(
    settings: Settings, known: Known, at: datetime, machines: Sequence[Machine], lender: Lender, *, following: bool
) -> list[Finding]:
    beliefs = [belief_of(settings, machine, known) for machine in machines]
    models = [model_of(settings, machine, belief) for machine, belief in zip(machines, beliefs, strict=True)]
    steps = [belief.step_mm if belief.learned else None for belief in beliefs]
    measured = measure_histories([known.history(machine.name) for machine in machines], models, at)
    followed: Sequence[HistoryFindings | None] = [None] * len(machines)
    if following:
        spread = [belief.sd_mm if belief.learned else None for belief in beliefs]
        followed = follow_fleet(
            measured,
            settings.limits,
            at,
            [_own_generator(machine.name) for machine in machines],
            tooth_steps=list(zip(steps, spread, strict=True)),
            priors=known.priors,
        )
    borrowed = [lender.noise_mm(one.model.name) if _borrows(one) else None for one in measured]
    lent = {one.model.name: mm for one, mm in zip(measured, borrowed, strict=True) if mm}
    judged = judge_fleet(measured, settings.limits, at, followed, steps, lent)
    found = []
    for one, said, of_history, mm in zip(measured, judged, followed, borrowed, strict=True):
        crossings = None if of_history is None else of_history.crossings
        since, until = standing(said, crossings, one.history.out_of_service, settings.limits, at)
        found.append(Finding(said=said, crossings=crossings, since=since, until=until, borrowed_mm=mm))
    return found


def _borrows(one: MeasuredHistory) -> bool:
    return one.noise.source == "guess"


def _own_generator(name: str) -> np.random.Generator:
    """Seeded by the machine's name: the same data gives the same forecast, whatever the company."""
    return np.random.default_rng(int.from_bytes(hashlib.sha256(name.encode()).digest()[:8], "big"))
