"""The file of kept findings beside the database: SQLite, so that many may read it while one writes, and no one waits.

It is no part of the database: it needs no backup, its lock holds up nobody, and whoever may not write it goes without.
"""

from __future__ import annotations

import hashlib
import os
import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager, suppress
from pathlib import Path

__all__ = ["KeptFile"]

_SCHEMA = """
CREATE TABLE IF NOT EXISTS findings (
    number INTEGER PRIMARY KEY, machine TEXT NOT NULL, fingerprint BLOB NOT NULL, seal BLOB NOT NULL, body BLOB NOT NULL
);
CREATE UNIQUE INDEX IF NOT EXISTS findings_by_machine ON findings (machine, fingerprint);
"""
_FIND = "SELECT seal, body FROM findings WHERE machine = ? AND fingerprint = ?"
_PUT = "INSERT OR REPLACE INTO findings (machine, fingerprint, seal, body) VALUES (?, ?, ?, ?)"
# As of now, as of the end of the week, and as of the week before.
_FORGET = """
DELETE FROM findings WHERE machine = ? AND number NOT IN (
    SELECT number FROM findings WHERE machine = ? ORDER BY number DESC LIMIT 3
)
"""
_PATIENCE_SECONDS = 0.5


class KeptFile:
    """Findings as bytes by machine and fingerprint. Never raises: what cannot be read or written is not there."""

    def __init__(self, database: Path) -> None:
        self._database = database
        self.path = database.with_name(f"{database.name}.findings")

    def load(self, wanted: Mapping[str, bytes]) -> dict[str, bytes]:
        """By machine the findings whose fingerprint is the one wanted."""
        found: dict[str, bytes] = {}
        if not self.path.exists():
            return found
        with suppress(sqlite3.Error, OSError), self._opened("ro") as con:
            for machine, mark in wanted.items():
                row = con.execute(_FIND, (machine, mark)).fetchone()
                body = None if row is None else row[1]
                if isinstance(body, bytes) and row[0] == _seal(machine, mark, body):
                    found[machine] = body
        return found

    def save(self, new: Mapping[str, tuple[bytes, bytes]]) -> None:
        """Keep fingerprints and findings by machine, where this user may, and of each machine the newest three."""
        if not new or not self._ours():
            return
        try:
            with self._opened("rwc") as con, con:
                con.executescript(_SCHEMA)
                rows = ((machine, mark, _seal(machine, mark, body), body) for machine, (mark, body) in new.items())
                con.executemany(_PUT, rows)
                con.executemany(_FORGET, ((machine, machine) for machine in new))
            with suppress(OSError):
                self.path.chmod(self._database.stat().st_mode & 0o666)
        except sqlite3.OperationalError:
            # Someone else writes just now, or the disk is full.
            return
        except sqlite3.DatabaseError:
            # Damaged: it is begun anew the next time.
            with suppress(OSError):
                self.path.unlink()

    def _ours(self) -> bool:
        """Whether the database is this user's: a file of another's making would shut the service out of it."""
        try:
            return self._database.stat().st_uid == os.geteuid()
        except OSError:
            return False

    @contextmanager
    def _opened(self, mode: str) -> Iterator[sqlite3.Connection]:
        where = f"{self.path.absolute().as_uri()}?mode={mode}"
        with closing(sqlite3.connect(where, uri=True, timeout=_PATIENCE_SECONDS)) as con:
            yield con


def _seal(machine: str, mark: bytes, body: bytes) -> bytes:
    """What a row is known whole by: a disk may lose a page of a file, and keep its neighbour's."""
    return hashlib.blake2b(machine.encode() + b"\0" + mark + body, digest_size=16).digest()
