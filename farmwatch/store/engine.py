"""DuckDB as this process runs it: started once, with nothing open, since a start costs some 35 ms."""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path

import duckdb

from farmwatch.store.errors import ERRORS_BY_NUMBER

__all__ = ["Connection", "Engine"]

# DuckDB keeps some KiB of every write until it is stopped (measured: 8 to 20 a round of polls): so a process that
# writes for months starts it anew now and then.
_OPENS_BY_ONE_START = 200

# DuckDB draws a bar on standard output by itself; our progress is our own. It takes its log into the file only when
# told to (see `undo`), neither when the log grows nor when the file is left.
_AT_START = f"""
SET TimeZone = 'UTC'; SET enable_progress_bar = false; {ERRORS_BY_NUMBER};
SET checkpoint_on_detach = 'DISABLED'; SET checkpoint_threshold = '1TB'
"""

Connection = duckdb.DuckDBPyConnection


class Engine:
    """One DuckDB; a forked child gets its own."""

    def __init__(self, database: Path, memory_limit: str, threads: int) -> None:
        self._settings: dict[str, str | bool | int | float | list[str]] = {
            "memory_limit": memory_limit,
            "threads": threads,
            "temp_directory": f"{database}.tmp",
            "preserve_insertion_order": True,
        }
        self._con: Connection | None = None
        self._pid = 0
        self._opens = 0

    def connection(self) -> Connection:
        """Its connection, to attach a file by; call it only while nothing is attached."""
        self._opens += 1
        if self._opens > _OPENS_BY_ONE_START:
            self.stop()
        if self._con is None or self._pid != os.getpid():
            self._con = duckdb.connect(":memory:", config=self._settings)
            self._con.execute(_AT_START)
            self._pid = os.getpid()
            self._opens = 1
        return self._con

    def stop(self) -> None:
        """End it; the next call starts it afresh."""
        if self._con is not None and self._pid == os.getpid():
            with suppress(duckdb.Error):
                self._con.close()
        self._con = None
