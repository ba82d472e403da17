"""A machine's name in every table: which are known, and one that becomes another."""

from __future__ import annotations

from collections.abc import Mapping

import duckdb

from farmwatch.store.polls import renew_answers

__all__ = ["addresses", "keep_addresses", "known", "rename"]

_TABLES = (
    "readings", "polls", "notes", "out_of_service", "identities", "tickets", "realign_moves", "set_aside",
    "kept_answers", "rereads", "set_aside_log", "said_forecasts", "addresses",
)  # fmt: skip

_KNOWN = """
SELECT machine, count(*) FROM readings GROUP BY machine
UNION ALL SELECT DISTINCT machine, 0 FROM tickets WHERE machine NOT IN (SELECT machine FROM readings)
ORDER BY machine
"""

# Polled under both names, a machine may have shown one mesh twice, its host has been pinned twice, and forecasts were
# said of both.
_ALREADY_THERE = (
    """
    DELETE FROM readings WHERE machine = $old AND EXISTS (
        SELECT 1 FROM readings n
        WHERE n.machine = $new AND n.taken_at = readings.taken_at AND n.digest = readings.digest
    )
    """,
    """
    DELETE FROM said_forecasts WHERE machine = $old AND EXISTS (
        SELECT 1 FROM said_forecasts n WHERE n.machine = $new AND n.week = said_forecasts.week
    )
    """,
    "DELETE FROM identities WHERE machine = $old AND EXISTS (SELECT 1 FROM identities WHERE machine = $new)",
    "DELETE FROM addresses WHERE machine = $old AND EXISTS (SELECT 1 FROM addresses WHERE machine = $new)",
)


def known(con: duckdb.DuckDBPyConnection) -> dict[str, int]:
    """Every machine with readings or tickets, and how many readings it has."""
    return {machine: int(number) for machine, number in con.execute(_KNOWN).fetchall()}


def addresses(con: duckdb.DuckDBPyConnection) -> dict[str, str]:
    """The address that each machine last had in a configuration."""
    return dict(con.execute("SELECT machine, address FROM addresses ORDER BY machine").fetchall())


def keep_addresses(con: duckdb.DuckDBPyConnection, found: Mapping[str, str]) -> None:
    """Remember the addresses of machines."""
    con.executemany("INSERT OR REPLACE INTO addresses VALUES (?, ?)", [[name, at] for name, at in found.items()])


def rename(con: duckdb.DuckDBPyConnection, old: str, new: str) -> None:
    """Let all that is kept of `old` be of `new`, in the transaction that is open."""
    names = {"old": old, "new": new}
    for statement in _ALREADY_THERE:
        con.execute(statement, names)
    for table in _TABLES:
        con.execute(f"UPDATE {table} SET machine = $new WHERE machine = $old", names)
    con.execute("DELETE FROM attended WHERE machine = $old", {"old": old})
    renew_answers(con)
