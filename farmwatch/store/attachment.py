"""The database's file as DuckDB has it open: attached to one connection as `farm`, whole, and nobody else inside."""

from __future__ import annotations

from pathlib import Path
from typing import BinaryIO

import duckdb

from farmwatch.store import undo
from farmwatch.store.engine import Connection
from farmwatch.store.errors import StoreBusy, holder, is_lock
from farmwatch.store.turns import Turn

__all__ = ["Attachment", "quoted"]


class Attachment:
    """One file, attached for the length of each call only."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.may_write = False
        # Closing any descriptor of a file ends the process's locks on it, DuckDB's too: so this one is opened before
        # DuckDB's and closed after it.
        self._file: BinaryIO | None = None

    def attach(self, con: Connection, patience_seconds: float, *, read_only: bool) -> Connection:
        """Wait for a turn and attach it; raises StoreBusy, and what DuckDB says of the file."""
        self.may_write = not read_only
        with Turn(self.path.parent, patience_seconds) as turn:
            while True:
                if not turn.has_come():
                    turn.wait()
                elif self._is_attached(con, turn):
                    return con

    def _is_attached(self, con: Connection, turn: Turn) -> bool:
        """One try, or a wait; raises StoreBusy after the last."""
        undo.mend(self.path)
        self._file = self.path.open("rb")
        # By its type: DuckDB would take a file of another kind for a table of its own, and store nothing in it.
        how = f"(TYPE duckdb, {'READ_WRITE' if self.may_write else 'READ_ONLY'})"
        try:
            con.execute(f"ATTACH {quoted(str(self.path))} AS farm {how}")
        except duckdb.Error as fault:
            self.close()
            if not is_lock(fault):
                if undo.mend(self.path, is_damaged=True):
                    return False
                undo.refuse_unmended(self.path)
                raise
            if turn.is_over():
                raise StoreBusy(
                    f"{self.path}: held by {holder(fault)} for over {turn.seconds:g} s; "
                    "wait for it to end, or look at what it does"
                ) from fault
            turn.wait()
            return False
        con.execute("USE farm")
        if undo.is_settled(self.path, self._file):
            return True
        self.detach(con)
        undo.refuse_unmended(self.path)
        return False

    def fold(self, con: Connection) -> BinaryIO:
        """Take the log in; returns the file, open for reading, which holds everything now."""
        if self._file is None or not self.may_write:
            raise RuntimeError("not open for writing")
        undo.fold(con, self._file, self.path)
        return self._file

    def detach(self, con: Connection) -> None:
        """Let go of it."""
        con.execute("USE memory")
        con.execute("DETACH farm")
        self.close()

    def close(self) -> None:
        """Close our own descriptor, once DuckDB has let go of the file or was stopped."""
        if self._file is not None:
            self._file.close()
            self._file = None


def quoted(text: str) -> str:
    """Text as an SQL literal."""
    return "'" + text.replace("'", "''") + "'"
