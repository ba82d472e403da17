"""What people set aside, and put back in: readings, notes and moves that stay where they are and count for nothing.

An entry counts while its column `set_aside` is NULL: `COUNTS`, which the statements that read entries share.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from types import MappingProxyType
from typing import NamedTuple

import duckdb

from farmwatch.errors import InputError
from farmwatch.store.records import AsideKind, Entry
from farmwatch.times import from_micros, micros

__all__ = ["LONGEST_WHY", "change", "entries"]

LONGEST_WHY = 200


class _Table(NamedTuple):
    name: str
    time: str
    said: str
    """An expression that says what an entry is, a few words or a figure."""


_TABLES: Mapping[AsideKind, _Table] = MappingProxyType(
    {
        "readings": _Table("readings", "taken_at", "format('{:.3f} mm', range_mm)"),
        "notes": _Table("notes", '"at"', """what || CASE WHEN "text" = '' THEN '' ELSE ': ' || "text" END"""),
        "moves": _Table(
            "realign_moves",
            '"at"',
            """screw || CASE WHEN teeth IS NOT NULL THEN format(', {:+d} teeth', teeth)
               WHEN mm IS NOT NULL THEN format(', {:+.2f} mm', mm) ELSE '' END""",
        ),
    }
)

# Of the times that an entry was set aside for the reason it has, the last one counts.
_ENTRIES = """
SELECT epoch_us({time}), {said}, set_aside, who, epoch_us(done_at) FROM (
    SELECT entry.*, entry.rowid AS id, log."by" AS who, log."at" AS done_at,
           row_number() OVER (PARTITION BY entry.rowid ORDER BY log."at" DESC) AS nth
    FROM {name} entry LEFT JOIN set_aside_log log
    ON NOT log.put_back AND log."from" = '{name}' AND log.machine = entry.machine AND log.why = entry.set_aside
       AND entry.{time} BETWEEN log.since AND log.until
    WHERE entry.machine = $machine
      AND ($since::BIGINT IS NULL OR entry.{time} >= make_timestamptz($since::BIGINT))
      AND ($until::BIGINT IS NULL OR entry.{time} <= make_timestamptz($until::BIGINT))
) WHERE nth = 1 ORDER BY {time}, id
"""

_MARK = """
UPDATE {name} SET set_aside = $why
WHERE machine = $machine AND set_aside IS {now_is}
  AND {time} BETWEEN make_timestamptz($since) AND make_timestamptz($until)
"""


def entries(
    con: duckdb.DuckDBPyConnection, kind: AsideKind, machine: str, since: datetime | None, until: datetime | None
) -> list[Entry]:
    """A machine's entries of one kind with since <= time <= until, in time order, those set aside among them."""
    given = {
        "machine": machine,
        "since": None if since is None else micros(since),
        "until": None if until is None else micros(until),
    }
    rows = con.execute(_ENTRIES.format(**_TABLES[kind]._asdict()), given).fetchall()
    return [
        Entry(
            kind=kind,
            machine=machine,
            at=from_micros(at),
            said=said,
            why=why,
            by=who or "",
            aside_since=None if done_at is None else from_micros(done_at),
        )
        for at, said, why, who, done_at in rows
    ]


def change(
    con: duckdb.DuckDBPyConnection,
    kind: AsideKind,
    machine: str,
    span: tuple[datetime, datetime],
    *,
    why: str,
    by: str,
    at: datetime,
    put_back: bool,
) -> int:
    """Set the entries of a span (both ends in it) aside, or put them back in, with a line in the log; how many.

    Those that are so already stay as they are. Raises InputError for a reason that is empty or too long.
    """
    why = why.strip()
    if not put_back and not why:
        raise InputError("say why: the reason stays with what is set aside")
    if len(why) > LONGEST_WHY:
        raise InputError(f"the reason has {len(why)} characters; at most {LONGEST_WHY} are kept")
    table = _TABLES[kind]
    ends = {"machine": machine, "since": micros(span[0]), "until": micros(span[1])}
    mark = _MARK.format(name=table.name, time=table.time, now_is="NOT NULL" if put_back else "NULL")
    row = con.execute(mark, {**ends, "why": None if put_back else why}).fetchone()
    changed = int(row[0]) if row else 0
    if changed:
        con.execute(
            "INSERT INTO set_aside_log VALUES ($machine, make_timestamptz($at), $from, $put_back, "
            "make_timestamptz($since), make_timestamptz($until), $entries, $by, $why)",
            {
                **ends,
                "at": micros(at),
                "from": table.name,
                "put_back": put_back,
                "entries": changed,
                "by": by,
                "why": why,
            },
        )
    return changed
