"""Entries from ahead of the clock: what a clock that was wrong had dated, and how it stands aside for good.

Such an entry counts for nothing until its time comes: every look into the database ends at `now`. Where the clock is
known to have been wrong it need not come: what hosts and people said is moved out of the way, whole, into `set_aside`,
and can be put back. What happened to a ticket did happen, only at another time, so its time is set to now.
"""

from __future__ import annotations

import json
from datetime import datetime

import duckdb

from farmwatch.store import sql
from farmwatch.store.polls import renew_answers
from farmwatch.store.records import Ahead
from farmwatch.times import BELIEVED_AHEAD, from_micros, micros

__all__ = ["aside", "find", "put_back", "set_aside"]


_COLUMNS = """
SELECT column_name, data_type FROM duckdb_columns() WHERE database_name = 'farm' AND table_name = $table
"""

_ASIDE = """
SELECT CASE "from" WHEN 'out_of_service' THEN 'notes' ELSE "from" END, machine, count(*), epoch_us(max("at"))
FROM set_aside GROUP BY ALL ORDER BY ALL
"""

# A machine may have another name by now. What has come again since stands there already.
_PUT_BACK = """
INSERT INTO {table} BY NAME SELECT * FROM (
    SELECT unnest(json_transform(json_merge_patch(entry, json_object('machine', machine)), $shape))
    FROM set_aside WHERE "from" = '{table}'
) EXCEPT ALL SELECT * FROM {table}
"""


def find(con: duckdb.DuckDBPyConnection, now: datetime) -> Ahead:
    """What lies ahead of `now`."""
    return _counted(con.execute(sql.AHEAD, {"after": micros(now + BELIEVED_AHEAD)}).fetchall())


def aside(con: duckdb.DuckDBPyConnection) -> Ahead:
    """What stands aside because it lay ahead."""
    return _counted(con.execute(_ASIDE).fetchall())


def put_back(con: duckdb.DuckDBPyConnection) -> Ahead:
    """Let all that stands aside count from its time on, in the transaction that is open; returns what it was."""
    found = aside(con)
    for table in sql.AHEAD_TABLES:
        columns = con.execute(_COLUMNS, {"table": table}).fetchall()
        shape = {name: [kind.removesuffix("[]")] if kind.endswith("[]") else kind for name, kind in columns}
        con.execute(_PUT_BACK.format(table=table), {"shape": json.dumps(shape)})
    con.execute("DELETE FROM set_aside")
    if "polls" in found.counts:
        renew_answers(con)
    return found


def _counted(rows: list[tuple[str, str, int, int]]) -> Ahead:
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
