"""Entries from ahead of the clock: what a clock that was wrong had dated, and how it stands aside for good.

Such an entry counts for nothing until its time comes: every look into the database ends at `now`. Where the clock is
known to have been wrong it need not come: what hosts and people said is moved out of the way, whole, into `set_aside`.
What happened to a ticket did happen, only at another time, so its time is set to now.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime

import duckdb

from farmwatch.store import sql
from farmwatch.store.polls import renew_answers
from farmwatch.times import BELIEVED_AHEAD, from_micros, micros

__all__ = ["Ahead", "find", "set_aside"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Ahead:
    """How many entries lie ahead of the clock, by what they are; the machines, and the latest of their times."""

    counts: Mapping[str, int] = field(default_factory=dict)
    """By `readings`, `notes`, `polls`, `ticket_events`; without those of which there are none."""
    machines: tuple[str, ...] = ()
    latest: datetime | None = None


def find(con: duckdb.DuckDBPyConnection, now: datetime) -> Ahead:
    """What lies ahead of `now`."""
    rows = con.execute(sql.AHEAD, {"after": micros(now + BELIEVED_AHEAD)}).fetchall()
    counts: dict[str, int] = {}
    for what, _, number, _ in rows:
        counts[what] = counts.get(what, 0) + int(number)
    return Ahead(
        counts=counts,
        machines=tuple(sorted({machine for _, machine, _, _ in rows})),
        latest=max((from_micros(latest) for *_, latest in rows), default=None),
    )


def set_aside(con: duckdb.DuckDBPyConnection, now: datetime) -> Ahead:
    """Let it stand aside, in the transaction that is open."""
    found = find(con, now)
    after, at = micros(now + BELIEVED_AHEAD), micros(now)
    for table, time in sql.AHEAD_TABLES.items():
        con.execute(sql.SET_ASIDE.format(table=table, time=time), {"after": after, "now": at})
        con.execute(sql.DROP_AHEAD.format(table=table, time=time), {"after": after})
    for statement in sql.TO_NOW:
        con.execute(statement, {"after": after, "now": at})
    for statement in sql.FORGET_AHEAD:
        con.execute(statement, {"after": after})
    if "polls" in found.counts:
        renew_answers(con)
    return found
