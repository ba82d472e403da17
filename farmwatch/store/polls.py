"""Polls: into the database, out of it, and thinned when they are old."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any

import duckdb
import numpy as np

from farmwatch.outcomes import OUTCOMES
from farmwatch.store import sql
from farmwatch.store.reading_facts import objects, valid_text
from farmwatch.store.records import LastAnswer, PollRecord
from farmwatch.times import from_micros, micros

__all__ = ["between", "insert", "last_answers", "renew_answers", "thin"]

_Row = tuple[Any, ...]

_ANSWERED = [outcome for outcome, row in OUTCOMES.items() if row.answered]
_UNDERSTOOD = [outcome for outcome, row in OUTCOMES.items() if row.understood]


def insert(con: duckdb.DuckDBPyConnection, records: Sequence[PollRecord]) -> None:
    """Add polls that do not stand yet, and keep `answers` in step."""
    if not records:
        return
    table: Any = {
        "machine": objects([r.machine for r in records]),
        "at_us": np.array([micros(r.at) for r in records], dtype=np.int64),
        "outcome": objects([r.outcome for r in records]),
        "reason": objects([valid_text(r.reason) for r in records]),
        "seconds": np.array([r.seconds for r in records], dtype=np.float64),
    }
    con.register("new_polls", table)
    con.execute(sql.INSERT_POLLS)
    con.execute(sql.MERGE_ANSWERS, {"answered": _ANSWERED, "understood": _UNDERSTOOD})
    con.unregister("new_polls")


def renew_answers(con: duckdb.DuckDBPyConnection) -> None:
    """Find `answers` anew from the polls."""
    drop, fill = sql.RENEW_ANSWERS
    con.execute(drop)
    con.execute(fill, {"answered": _ANSWERED, "understood": _UNDERSTOOD})


def between(
    con: duckdb.DuckDBPyConnection, since: datetime, until: datetime, names: Sequence[str] | None
) -> list[PollRecord]:
    """Polls with since <= at <= until, in time order."""
    given = {"since": micros(since), "until": micros(until), "names": None if names is None else list(names)}
    return [
        PollRecord(machine=machine, at=from_micros(at), outcome=outcome, reason=reason, seconds=seconds)
        for machine, at, outcome, reason, seconds in con.execute(sql.POLLS, given).fetchall()
    ]


def last_answers(con: duckdb.DuckDBPyConnection, until: datetime | None) -> dict[str, LastAnswer]:
    """By machine; the table `answers` where it can tell, a scan of the polls where `until` lies in the past."""
    if until is None:
        return _answers(con.execute(sql.LAST_ANSWERS).fetchall())
    newest = con.execute(sql.NEWEST_POLL).fetchone()
    if newest is None or newest[0] is None or newest[0] <= micros(until):
        return _answers(con.execute(sql.LAST_ANSWERS).fetchall())
    given = {"until": micros(until), "answered": _ANSWERED, "understood": _UNDERSTOOD}
    return _answers(con.execute(sql.LAST_ANSWERS_UNTIL, given).fetchall())


def thin(con: duckdb.DuckDBPyConnection, before: datetime) -> int:
    """Leave out, before a time, the polls inside runs of like outcomes; returns how many went."""
    row = con.execute(sql.THIN_POLLS, {"before": micros(before)}).fetchone()
    return int(row[0]) if row else 0


def _answers(rows: Sequence[_Row]) -> dict[str, LastAnswer]:
    return {
        machine: LastAnswer(
            machine=machine,
            polled_at=from_micros(polled),
            outcome=outcome,
            reason=reason,
            answered_at=None if answered is None else from_micros(answered),
            understood_at=None if understood is None else from_micros(understood),
        )
        for machine, polled, outcome, reason, answered, understood in rows
    }
