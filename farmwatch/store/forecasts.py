"""Forecasts as they were said, what came of them, and what the farm learned of its machines' drift."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

import duckdb

from farmwatch.store.records import LearnedDrift, SaidForecast
from farmwatch.times import from_micros, micros

__all__ = ["add_learned", "add_said", "company_priors", "learned", "said", "settle", "take_priors"]

# What was said first in a week stands.
_INSERT_SAID = """
INSERT INTO said_forecasts
SELECT $machine, $week, make_timestamptz($said_at::BIGINT), $chance, $p10, $p50, $p90, $horizon_days, NULL, NULL
WHERE NOT EXISTS (SELECT 1 FROM said_forecasts WHERE machine = $machine AND week = $week)
"""

_SETTLE = """
UPDATE said_forecasts
SET passed_at = make_timestamptz($passed_at::BIGINT), ended_at = make_timestamptz($ended_at::BIGINT)
WHERE machine = $machine AND week = $week
"""

_SAID = """
SELECT machine, week, epoch_us(said_at), chance, p10, p50, p90, horizon_days, epoch_us(passed_at), epoch_us(ended_at)
FROM said_forecasts WHERE ($until::BIGINT IS NULL OR said_at <= make_timestamptz($until::BIGINT))
ORDER BY said_at, machine
"""

_INSERT_LEARNED = "INSERT INTO drift_priors VALUES (?, make_timestamptz(?), ?, ?, ?)"

_LEARNED = """
SELECT model, epoch_us(learned_at), machines, drift, weight FROM drift_priors
WHERE ($until::BIGINT IS NULL OR learned_at <= make_timestamptz($until::BIGINT))
QUALIFY learned_at = max(learned_at) OVER (PARTITION BY model)
ORDER BY model, drift
"""

_COMPANY = """
SELECT document FROM company_priors
WHERE ($until::BIGINT IS NULL OR taken_at <= make_timestamptz($until::BIGINT))
ORDER BY taken_at DESC, rowid DESC LIMIT 1
"""


def add_said(con: duckdb.DuckDBPyConnection, new: Sequence[SaidForecast]) -> None:
    """Keep what was said, unless something was said of that machine in that week before."""
    for one in new:
        con.execute(
            _INSERT_SAID,
            {
                "machine": one.machine, "week": one.week, "said_at": micros(one.said_at), "chance": one.chance,
                "p10": one.p10, "p50": one.p50, "p90": one.p90, "horizon_days": one.horizon_days,
            },
        )  # fmt: skip


def settle(con: duckdb.DuckDBPyConnection, known: Sequence[SaidForecast]) -> None:
    """Enter what came of them."""
    for one in known:
        con.execute(
            _SETTLE,
            {
                "machine": one.machine, "week": one.week,
                "passed_at": None if one.passed_at is None else micros(one.passed_at),
                "ended_at": None if one.ended_at is None else micros(one.ended_at),
            },
        )  # fmt: skip


def said(con: duckdb.DuckDBPyConnection, until: datetime | None) -> list[SaidForecast]:
    """All that was said by then, in time order; what came of it later is not known yet."""

    def moment(us: int | None) -> datetime | None:
        found = None if us is None else from_micros(us)
        return None if found is None or (until is not None and found > until) else found

    return [
        SaidForecast(
            machine=machine, week=week, said_at=from_micros(at), chance=chance, p10=p10, p50=p50, p90=p90,
            horizon_days=horizon, passed_at=moment(passed), ended_at=moment(ended),
        )
        for machine, week, at, chance, p10, p50, p90, horizon, passed, ended in con.execute(
            _SAID, {"until": None if until is None else micros(until)}
        ).fetchall()
    ]  # fmt: skip


def add_learned(con: duckdb.DuckDBPyConnection, new: Sequence[LearnedDrift]) -> None:
    """Add what was learned, beside what was learned before."""
    for one in new:
        for drift, weight in one.weights.items():
            con.execute(_INSERT_LEARNED, [one.model, micros(one.learned_at), one.machines, drift, weight])


def learned(con: duckdb.DuckDBPyConnection, until: datetime | None) -> dict[str, LearnedDrift]:
    """Of each model what was learned last, at or before then."""
    found: dict[str, LearnedDrift] = {}
    rows = con.execute(_LEARNED, {"until": None if until is None else micros(until)}).fetchall()
    for model, at, machines, drift, weight in rows:
        before = found.get(model)
        weights = {} if before is None else dict(before.weights)
        found[model] = LearnedDrift(
            model=model, learned_at=from_micros(at), machines=machines, weights=weights | {drift: weight}
        )
    return found


def take_priors(con: duckdb.DuckDBPyConnection, document: str, at: datetime) -> None:
    """Keep a company's document, beside those of before."""
    con.execute("INSERT INTO company_priors VALUES (make_timestamptz(?), ?)", [micros(at), document])


def company_priors(con: duckdb.DuckDBPyConnection, until: datetime | None) -> str | None:
    """The newest document at or before then."""
    row = con.execute(_COMPANY, {"until": None if until is None else micros(until)}).fetchone()
    return None if row is None else str(row[0])
