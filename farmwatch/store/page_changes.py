"""What was asked for through the pages: entered before it is done, with what came of it after."""

from __future__ import annotations

import duckdb

from farmwatch.store.records import PageChange
from farmwatch.times import from_micros, micros

__all__ = ["begin", "finish", "newest"]

_COLUMNS = """key, epoch_us("at"), who, role, "from", what, about, outcome"""
_ONE = f"SELECT {_COLUMNS} FROM page_changes WHERE key = ?"
_NEWEST = f"""SELECT {_COLUMNS} FROM page_changes ORDER BY "at" DESC, rowid DESC LIMIT ?"""
_INSERT = "INSERT INTO page_changes VALUES (?, make_timestamptz(?), ?, ?, ?, ?, ?, ?)"
_FINISH = "UPDATE page_changes SET outcome = ? WHERE key = ?"


def begin(con: duckdb.DuckDBPyConnection, change: PageChange) -> PageChange | None:
    """Enter a change that is about to be made; returns the one of the same key where there is one already."""
    rows = con.execute(_ONE, [change.key]).fetchall()
    if rows:
        return _change(rows[0])
    con.execute(
        _INSERT,
        [
            change.key,
            micros(change.at),
            change.who,
            change.role,
            change.from_where,
            change.what,
            change.about,
            change.outcome,
        ],
    )
    return None


def finish(con: duckdb.DuckDBPyConnection, key: str, outcome: str) -> None:
    """What came of it."""
    con.execute(_FINISH, [outcome, key])


def newest(con: duckdb.DuckDBPyConnection, most: int) -> list[PageChange]:
    """The newest changes, the last on top."""
    return [_change(row) for row in con.execute(_NEWEST, [most]).fetchall()]


def _change(row: tuple[object, ...]) -> PageChange:
    key, at, who, role, from_where, what, about, outcome = row
    return PageChange(
        key=str(key),
        at=from_micros(int(str(at))),
        who=str(who),
        role=str(role),
        from_where=str(from_where),
        what=str(what),
        about=str(about),
        outcome=None if outcome is None else str(outcome),
    )
