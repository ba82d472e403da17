"""One way in: follow one machine, or a fleet of them at once."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

import numpy as np

from farmwatch.follow.followed import Followed, Trace
from farmwatch.history import History
from farmwatch.model import Limits, Model

__all__ = ["follow_fleet", "follow_machine"]


def follow_machine(
    history: History,
    model: Model,
    limits: Limits,
    at: datetime,
    rng: np.random.Generator,
    *,
    tooth_step_mm: float | None = None,
    tooth_step_sd_mm: float | None = None,
) -> Followed:
    """Steps, drift and forecast of one machine from its readings at or before `at` (aware).

    `rng` feeds the forecast's draws; give each machine its own, seeded by its name, and the order of machines never
    matters. `tooth_step_mm` and its sd replace the model's nominal tooth step (5 % sd) once it is learned.
    Never raises for what a history holds: what cannot be known is None, with the reason beside it.
    """
    return follow_fleet([history], [model], limits, at, [rng], tooth_steps=[(tooth_step_mm, tooth_step_sd_mm)])[0]


def follow_fleet(
    histories: Sequence[History],
    models: Sequence[Model],
    limits: Limits,
    at: datetime,
    rngs: Sequence[np.random.Generator],
    *,
    tooth_steps: Sequence[tuple[float | None, float | None]] | None = None,
) -> list[Followed]:
    """`follow_machine` for many: one model and one generator per history, worked through in blocks.

    Results are those of one machine alone, whatever the order and company.
    """
    return [
        _nothing_yet(history.until(at.timestamp()), model, at) for history, model in zip(histories, models, strict=True)
    ]


def _nothing_yet(history: History, model: Model, at: datetime) -> Followed:
    n, names = len(history), tuple(model.screws[i].name for i in model.movable)
    trace = Trace(
        at=history.taken_at,
        range_mm=np.full(n, np.nan),
        u=np.full((n, len(names)), np.nan),
        used=np.zeros(n, dtype=bool),
        left_out=("",) * n,
        segment=np.full(n, -1, dtype=np.intp),
    )
    why = "not followed yet"
    return Followed(machine=history.machine, at=at, screws=names, trace=trace, why_no_drift=why, why_no_forecast=why)
