"""What a page shows of one machine or of all hosts: a few rows, found without reading the whole record."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime

import duckdb

from farmwatch.history import Reading
from farmwatch.outcomes import OUTCOMES
from farmwatch.store import sql
from farmwatch.store.readings import sliced
from farmwatch.store.records import PollRecord
from farmwatch.times import from_micros, micros

__all__ = ["poll_shares", "readings", "recent_polls"]

_READINGS = f"""
{sql.WHOLE_READING} WHERE rowid IN (
    SELECT rowid FROM readings
    WHERE machine = $machine AND ($aside OR {sql.COUNTS})
      AND ($since::BIGINT IS NULL OR taken_at >= make_timestamptz($since::BIGINT))
      AND ($until::BIGINT IS NULL OR taken_at <= make_timestamptz($until::BIGINT))
    ORDER BY taken_at DESC, rowid DESC LIMIT $most
)
ORDER BY taken_at DESC, rowid DESC
"""
_POLLS = """
SELECT machine, epoch_us("at"), outcome, reason, seconds FROM polls
WHERE machine = $machine ORDER BY "at" DESC, rowid DESC LIMIT $most
"""
_SHARES = """
SELECT machine, count(*) FILTER (list_contains($understood, outcome)), count(*)
FROM polls WHERE "at" >= make_timestamptz($since) AND "at" <= make_timestamptz($until) GROUP BY machine
"""
_UNDERSTOOD = [outcome for outcome, row in OUTCOMES.items() if row.understood]


def readings(
    con: duckdb.DuckDBPyConnection,
    machine: str,
    since: datetime | None,
    until: datetime | None,
    most: int,
    *,
    aside: bool,
) -> list[Reading]:
    """The newest readings of a machine with since <= time <= until, the newest first; `aside`: those set aside too."""
    given = {
        "machine": machine,
        "since": None if since is None else micros(since),
        "until": None if until is None else micros(until),
        "most": most,
        "aside": aside,
    }
    return sliced(con.execute(_READINGS, given).fetchall())


def recent_polls(con: duckdb.DuckDBPyConnection, machine: str, most: int) -> list[PollRecord]:
    """The last tries at a machine's host, the newest first."""
    return [
        PollRecord(machine=name, at=from_micros(at), outcome=outcome, reason=reason, seconds=seconds)
        for name, at, outcome, reason, seconds in con.execute(_POLLS, {"machine": machine, "most": most}).fetchall()
    ]


def poll_shares(con: duckdb.DuckDBPyConnection, since: datetime, until: datetime) -> Mapping[str, tuple[int, int]]:
    """By machine, how many of its tries between two times were understood, and how many there were."""
    given = {"since": micros(since), "until": micros(until), "understood": _UNDERSTOOD}
    return {name: (good, whole) for name, good, whole in con.execute(_SHARES, given).fetchall()}
