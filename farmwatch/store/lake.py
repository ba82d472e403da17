"""A farm's record as Parquet for others to read, and back: the statements behind `farmwatch export --lake`.

Readings leave in parts: of one month of `taken_at`, and of one span of `seen_at`, so that what comes in later makes a
part of its own. A part's mark tells whether anything in it has changed since it was written: read anew, renamed, set
aside. What people wrote and who they are stays on the farm.

Back, the rows of some machines stand in a database in memory that is asked like the farm's own.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import duckdb

from farmwatch.store.attachment import quoted
from farmwatch.store.database import Database
from farmwatch.store.errors import StoreError
from farmwatch.store.migrate import migrate
from farmwatch.store.reading_facts import FACTS
from farmwatch.store.sql import COUNTS
from farmwatch.store.store import Store

__all__ = [
    "POLLS_KEPT_DAYS", "READING_COLUMNS", "TABLES", "Mark", "columns_of", "in_memory", "marks", "write_readings",
    "write_rows", "write_table",
]  # fmt: skip

POLLS_KEPT_DAYS = 92

READING_COLUMNS = (
    "machine", "taken_at", *(fact.name for fact in FACTS), "rows", "columns", "grid", "heights", "range_mm", "digest",
)  # fmt: skip

_ROWS_A_GROUP = 10_240
"""Rows of a group in the file: a reader of some machines passes over the groups of the others."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """Readings of one month seen after one end and up to the next: how many, and what they come to."""

    month: str
    place: int
    """Which of the ends they come after: 0 for none."""
    rows: int
    seen_until: int
    """Microseconds since 1970."""
    mark: int


_MARKS = """
SELECT strftime(r.taken_at, '%Y-%m') AS month, b.place, count(*), epoch_us(max(r.seen_at)),
       bit_xor(hash(r.machine, r.taken_at, r.seen_at, r.digest, r.grid, r.range_mm, {facts}))
FROM (FROM readings WHERE {counts}) r
ASOF JOIN (SELECT unnest($places::BIGINT[]) AS place, unnest($after::BIGINT[]) AS after) b
ON epoch_us(r.seen_at) > b.after
GROUP BY ALL ORDER BY ALL
"""

_PART = f"""
COPY (
    SELECT {", ".join(f'"{name}"' for name in READING_COLUMNS)} FROM readings
    WHERE {COUNTS} AND strftime(taken_at, '%Y-%m') = {{month}}
      AND epoch_us(seen_at) > {{after}} AND epoch_us(seen_at) <= {{until}}
    ORDER BY machine, taken_at, seen_at, rowid
) TO {{file}} (FORMAT parquet, COMPRESSION zstd, ROW_GROUP_SIZE {_ROWS_A_GROUP})
"""

TABLES: Mapping[str, str] = {
    "grids": f"""
        SELECT grid, x, y FROM readings
        WHERE rowid IN (SELECT min(rowid) FROM readings WHERE {COUNTS} GROUP BY grid) ORDER BY grid
    """,
    "notes": f'SELECT machine, "at", what FROM notes WHERE {COUNTS} ORDER BY ALL',
    "out_of_service": 'SELECT machine, since, "until", back_at FROM out_of_service ORDER BY ALL',
    # The remark of a ticket opened by hand ends in a person's words.
    "tickets": """
        SELECT * REPLACE (split_part(remark, ':', 1) AS remark) FROM tickets WHERE starts_with(remark, 'Opened by hand')
        UNION ALL SELECT * FROM tickets WHERE NOT starts_with(remark, 'Opened by hand') ORDER BY number
    """,
    "ticket_events": """
        SELECT number, row_number() OVER (PARTITION BY number ORDER BY rowid) AS place, "at", action, from_phase,
               to_phase, CASE WHEN "by" = 'farmwatch' THEN "by" ELSE '' END AS "by",
               CASE WHEN "by" = 'farmwatch' THEN why ELSE '' END AS why
        FROM ticket_events ORDER BY number, place
    """,
    # What a move did is told by meshes that count alone.
    "realign_moves": f"""
        SELECT machine, ticket, "at", screw, teeth, mm, before_at, after_at,
               CASE WHEN seen THEN moved_mm END AS moved_mm, CASE WHEN seen THEN moved_sd_mm END AS moved_sd_mm,
               range_before_mm, CASE WHEN seen THEN range_after_mm END AS range_after_mm, read_by
        FROM (
            SELECT *, rowid AS id, NOT EXISTS (
                FROM readings r WHERE r.machine = m.machine AND r.taken_at IN (m.before_at, m.after_at)
                AND NOT (r.{COUNTS})
            ) AS seen FROM realign_moves m WHERE {COUNTS}
        ) ORDER BY machine, "at", id
    """,
    "drift_priors": "SELECT * FROM drift_priors ORDER BY ALL",
    "polls": f"""
        SELECT machine, CAST("at" AS DATE) AS "day", outcome, count(*) AS tries, min("at") AS first_at,
               max("at") AS last_at, arg_max(reason, "at") AS reason, round(sum(seconds), 3) AS seconds
        FROM polls WHERE "at" > make_timestamptz($now::BIGINT) - INTERVAL {POLLS_KEPT_DAYS} DAY
        GROUP BY ALL ORDER BY machine, "day", outcome
    """,
    "answers": "SELECT * FROM answers ORDER BY machine",
}
"""By name, what a table of the lake holds, from the farm's own tables; each is written whole."""

_FILL = {
    "notes": """INSERT INTO notes BY NAME SELECT *, '' AS "by", '' AS "text" FROM given""",
    "out_of_service": "INSERT INTO out_of_service BY NAME SELECT *, '' AS reason FROM given",
    "tickets": "INSERT INTO tickets BY NAME FROM given",
    "ticket_events": "INSERT INTO ticket_events BY NAME SELECT * EXCLUDE (place) FROM given ORDER BY number, place",
    "realign_moves": """INSERT INTO realign_moves BY NAME SELECT *, '' AS "by" FROM given""",
    "polls": """
        INSERT INTO polls BY NAME SELECT machine, last_at AS "at", outcome, reason, seconds / tries AS seconds
        FROM given ORDER BY "at"
    """,
    "answers": "INSERT INTO answers BY NAME FROM given",
    "drift_priors": "INSERT INTO drift_priors BY NAME FROM given",
}
_ALL_MACHINES = frozenset({"tickets", "ticket_events", "drift_priors"})
"""Tables that are wanted whole: jobs are timed by all tickets."""

# What another mapping read than the machine's own is left out, as it is on the farm.
_DROP_MOVES = """
DELETE FROM realign_moves USING (SELECT unnest($names::VARCHAR[]) AS name, unnest($read_by::VARCHAR[]) AS own) m
WHERE machine = m.name AND read_by <> m.own
"""
_FILL_READINGS = f"""
INSERT INTO readings BY NAME
SELECT {", ".join(f'r."{name}"' for name in READING_COLUMNS)}, g.x, g.y
FROM (FROM {{readings}} WHERE machine BETWEEN $first AND $last AND list_contains($names::VARCHAR[], machine)) r
JOIN {{grids}} g USING (grid)
JOIN (SELECT unnest($names::VARCHAR[]) AS machine, unnest($read_by::VARCHAR[]) AS own) m USING (machine)
WHERE r.read_by IS NULL OR m.own IS NULL OR r.read_by = m.own
ORDER BY r.machine, r.taken_at, r.seen_at
"""


def marks(store: Store, ends: Sequence[int]) -> list[Mark]:
    """What the readings come to, by month and by the span of `seen_at` between `ends` (microseconds, ascending).

    Raises StoreError.
    """
    places = list(range(len(ends) + 1))
    statement = _MARKS.format(counts=COUNTS, facts=", ".join(f"r.{fact.name}" for fact in FACTS))
    with store.database.reading() as con:
        rows = con.execute(statement, {"places": places, "after": [-(2**62), *ends]}).fetchall()
    return [
        Mark(month=month, place=place, rows=rows, seen_until=until, mark=mark)
        for month, place, rows, until, mark in rows
    ]


def write_readings(store: Store, month: str, after: int | None, until: int, file: Path) -> int:
    """The readings of a month seen after one time and up to another (microseconds) as a Parquet file; how many."""
    start = -(2**62) if after is None else after
    statement = _PART.format(month=quoted(month), after=int(start), until=int(until), file=quoted(str(file)))
    with store.database.reading() as con:
        row = con.execute(statement).fetchone()
    return int(row[0]) if row else 0


def write_table(store: Store, name: str, file: Path, *, now: int) -> int:
    """One of `TABLES` as a Parquet file; returns its rows. `now` is in microseconds."""
    statement = TABLES[name].replace("$now", str(int(now)))
    with store.database.reading() as con:
        return _copied(con, statement, file)


def write_rows(store: Store, columns: Mapping[str, str], rows: Sequence[Sequence[Any]], file: Path) -> int:
    """Rows of values as a Parquet file; `columns` gives the SQL type of each. Returns how many."""
    given = {f"c{i}": [row[i] for row in rows] for i in range(len(columns))}
    said = (f"unnest($c{i}::{kind}[]) AS {quoted_name(name)}" for i, (name, kind) in enumerate(columns.items()))
    with store.database.reading() as con:
        return _copied(con, f"SELECT {', '.join(said)}", file, given)


def quoted_name(name: str) -> str:
    """A column's name as SQL has it."""
    return '"' + name.replace('"', '""') + '"'


def _copied(con: duckdb.DuckDBPyConnection, statement: str, file: Path, given: Mapping[str, Any] | None = None) -> int:
    copy = f"COPY ({statement}) TO {quoted(str(file))} (FORMAT parquet, COMPRESSION zstd)"
    row = con.execute(copy, dict(given or {})).fetchone()
    return int(row[0]) if row else 0


def columns_of(con: duckdb.DuckDBPyConnection, file: str) -> dict[str, str]:
    """Names and types of a Parquet file's columns; raises duckdb.Error where it is none, or is damaged at its end."""
    return {name: kind for name, kind, *_ in con.execute(f"DESCRIBE FROM {_source([file])}").fetchall()}


def in_memory(files: Mapping[str, Sequence[str]], read_by: Mapping[str, str | None], filesystem: Any = None) -> Store:
    """A store in memory with what Parquet files of the lake hold of some machines.

    files: by table (`readings` and those of `TABLES`), places that DuckDB can read, through `filesystem` where they
    are not on this computer. read_by: the machines, each with the mark of its mapping. Raises StoreError.
    """
    database = MemoryDatabase()
    names = sorted(read_by)
    given: dict[str, Any] = {
        "first": names[0], "last": names[-1], "names": names, "read_by": [read_by[name] for name in names],
    }  # fmt: skip
    with database.reading() as con:
        if filesystem is not None:
            con.register_filesystem(filesystem)
        for name, statement in _FILL.items():
            if files.get(name):
                some = "" if name in _ALL_MACHINES else f" WHERE list_contains({_texts(names)}, machine)"
                con.execute(f"WITH given AS (FROM {_source(files[name])}{some}) {statement}")
        con.execute(_DROP_MOVES, {name: given[name] for name in ("names", "read_by")})
        if files.get("readings") and files.get("grids"):
            sources = {name: _source(files[name]) for name in ("readings", "grids")}
            con.execute(_FILL_READINGS.format(**sources), given)
    return Store.on(database)


def _source(files: Sequence[str]) -> str:
    # What stands in the path, `site=`, is no column here.
    return f"read_parquet({_texts(files)}, hive_partitioning = false)"


def _texts(texts: Sequence[str]) -> str:
    return "[" + ", ".join(map(quoted, texts)) + "]"


class MemoryDatabase(Database):
    """A database in memory, with the farm's tables, for as long as it is held. One thread at a time."""

    def __init__(self) -> None:
        super().__init__(Path("memory"))
        self._con = duckdb.connect(":memory:", config={"threads": 1, "preserve_insertion_order": True})
        self._con.execute("SET TimeZone = 'UTC'; SET enable_progress_bar = false; ATTACH ':memory:' AS farm; USE farm")
        migrate(self._con)

    @contextmanager
    def reading(self) -> Iterator[duckdb.DuckDBPyConnection]:
        """The database, which nobody else sees."""
        try:
            yield self._con
        except duckdb.Error as fault:
            raise StoreError(" ".join(str(fault).split())) from fault

    @contextmanager
    def one_state(self) -> Iterator[None]:
        """Nothing changes it meanwhile."""
        yield

    @contextmanager
    def writing(self) -> Iterator[duckdb.DuckDBPyConnection]:
        """As `reading`: there is one user."""
        with self.reading() as con:
            yield con
