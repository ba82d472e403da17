"""What hosts answered, kept beside the readings made of it, and readings made anew of it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

import duckdb
import numpy as np

from farmwatch.history import Reading
from farmwatch.mesh import Mesh
from farmwatch.store.columns import grid_number
from farmwatch.store.reading_facts import objects
from farmwatch.store.records import KeptAnswer
from farmwatch.times import from_micros, micros

__all__ = ["add", "foreign", "foreign_counts", "replace_meshes", "thin"]

_ADD = """
INSERT INTO kept_answers SELECT DISTINCT n.machine, make_timestamptz(n.taken), n.digest, n.answer::BLOB
FROM new_answers n WHERE NOT EXISTS (
    SELECT 1 FROM kept_answers k
    WHERE k.machine = n.machine AND k.taken_at = make_timestamptz(n.taken) AND k.digest = n.digest
)
"""

_THIN = """
DELETE FROM kept_answers WHERE rowid IN (
    SELECT id FROM (
        SELECT rowid AS id, row_number() OVER (PARTITION BY machine ORDER BY taken_at DESC, rowid DESC) AS nth
        FROM kept_answers
    ) WHERE nth > $keep
)
"""

# Readings that another mapping read than the one their machine has now.
_FOREIGN = """
FROM readings JOIN (SELECT unnest($machines) AS machine, unnest($read_by) AS current) now USING (machine)
LEFT JOIN kept_answers USING (machine, taken_at, digest)
WHERE read_by <> current AND ($since::BIGINT IS NULL OR taken_at >= make_timestamptz($since::BIGINT))
"""

_REPLACE = """
UPDATE readings SET "rows" = $rows, "columns" = $columns, x = $x, y = $y, grid = $grid, heights = $heights,
    range_mm = $range_mm, digest = $digest, read_by = $read_by
WHERE machine = $machine AND taken_at = make_timestamptz($taken) AND digest = $before
"""

_RENAME_ANSWER = """
UPDATE kept_answers SET digest = $digest
WHERE machine = $machine AND taken_at = make_timestamptz($taken) AND digest = $before
"""

# A host went on showing a mesh while its mapping was changed: stored then as another one, it is the same again now.
_DROP_AGAIN = """
DELETE FROM readings WHERE rowid IN (
    SELECT id FROM (
        SELECT rowid AS id, digest, lag(digest) OVER (ORDER BY taken_at, seen_at, rowid) AS before
        FROM readings WHERE machine = $machine
    ) WHERE digest = before AND list_contains($digests, digest)
)
"""

_DROP_ORPHANS = """
DELETE FROM kept_answers WHERE machine = $machine AND NOT EXISTS (
    SELECT 1 FROM readings r
    WHERE r.machine = $machine AND r.taken_at = kept_answers.taken_at AND r.digest = kept_answers.digest
)
"""


def add(con: duckdb.DuckDBPyConnection, readings: Sequence[Reading]) -> None:
    """Keep the answers of readings that bring theirs; the same again is harmless."""
    some = [reading for reading in readings if reading.answer is not None]
    if not some:
        return
    # One statement for all: a round of ten thousand machines must not hold the database for seconds.
    table: Any = {
        "machine": objects([reading.machine for reading in some]),
        "taken": np.array([micros(reading.taken_at) for reading in some], dtype=np.int64),
        "digest": objects([reading.mesh.digest() for reading in some]),
        "answer": objects([reading.answer for reading in some]),
    }
    con.register("new_answers", table)
    con.execute(_ADD)
    con.unregister("new_answers")


def thin(con: duckdb.DuckDBPyConnection, keep: int) -> int:
    """Leave the newest `keep` answers of each machine; returns how many went."""
    row = con.execute(_THIN, {"keep": keep}).fetchone()
    return int(row[0]) if row else 0


def foreign(
    con: duckdb.DuckDBPyConnection, read_by: Mapping[str, str], since: datetime | None
) -> tuple[list[KeptAnswer], dict[str, int]]:
    """Answers of readings that another mapping read, in time order; and, by machine, how many readings have none."""
    select = f"SELECT machine, epoch_us(taken_at), digest, range_mm, answer {_FOREIGN} ORDER BY machine, taken_at"
    found: list[KeptAnswer] = []
    without: Counter[str] = Counter()
    for machine, taken, digest, range_mm, answer in con.execute(select, _given(read_by, since)).fetchall():
        if answer is None:
            without[machine] += 1
        else:
            at = from_micros(taken)
            found.append(KeptAnswer(machine=machine, taken_at=at, digest=digest, range_mm=range_mm, answer=answer))
    return found, dict(without)


def foreign_counts(con: duckdb.DuckDBPyConnection, read_by: Mapping[str, str]) -> dict[str, int]:
    """By machine, how many readings another mapping read than the one of `read_by`; machines without are left out."""
    rows = con.execute(f"SELECT machine, count(*) {_FOREIGN} GROUP BY machine ORDER BY machine", _given(read_by, None))
    return {machine: int(number) for machine, number in rows.fetchall()}


def replace_meshes(
    con: duckdb.DuckDBPyConnection, anew: Sequence[tuple[KeptAnswer, Mesh]], read_by: Mapping[str, str], at: datetime
) -> None:
    """Put meshes in the place of those that the same answers gave before, in the transaction that is open."""
    digests: dict[str, list[str]] = {}
    for kept, mesh in anew:
        key = {"machine": kept.machine, "taken": micros(kept.taken_at)}
        digest = mesh.digest()
        con.execute(
            _REPLACE,
            {
                **key,
                "before": kept.digest,
                "rows": mesh.rows,
                "columns": mesh.columns,
                "x": mesh.x.tolist(),
                "y": mesh.y.tolist(),
                "grid": grid_number(mesh.x, mesh.y),
                "heights": [None if value != value else value for value in mesh.z.ravel().tolist()],
                "range_mm": mesh.range_mm,
                "digest": digest,
                "read_by": read_by[kept.machine],
            },
        )
        con.execute(_RENAME_ANSWER, {**key, "before": kept.digest, "digest": digest})
        digests.setdefault(kept.machine, []).append(digest)
    for machine, some in digests.items():
        con.execute(_DROP_AGAIN, {"machine": machine, "digests": some})
        con.execute(_DROP_ORPHANS, {"machine": machine})
    for machine, number in Counter(kept.machine for kept, _ in anew).items():
        con.execute(
            "INSERT INTO rereads VALUES (?, make_timestamptz(?), ?, ?)", [machine, micros(at), number, read_by[machine]]
        )


def _given(read_by: Mapping[str, str], since: datetime | None) -> dict[str, object]:
    return {
        "machines": list(read_by),
        "read_by": list(read_by.values()),
        "since": None if since is None else micros(since),
    }
