"""Who is signed in: a table of sessions beside the database, so that a restart of the service signs nobody out.

The browser holds a random name of its session in a signed cookie; here stands only that name's SHA-256, with whom it
belongs to and since when. A session ends after twelve hours, when its owner signs out, and when his role or password
becomes another one.
"""

from __future__ import annotations

import json
import secrets
import threading
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import asdict, dataclass
from datetime import datetime, timedelta
from hashlib import sha256
from pathlib import Path

from farmwatch.config import ConfigError
from farmwatch.config.settings import Person
from farmwatch.files import replacing

__all__ = ["LASTS", "Sessions"]

LASTS = timedelta(hours=12)
MOST = 2000
"""Sessions kept; beyond, the oldest end."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Session:
    name: str
    standing: str
    """Of role and password as they were at sign-in."""
    begun: float


class Sessions:
    """The sessions of one farm, shared by the threads of its pages. `file` holds them between starts."""

    def __init__(self, file: Path) -> None:
        self._file = file
        self._lock = threading.Lock()
        self.key, self._open = self._load()

    def begin(self, person: Person, now: datetime) -> str:
        """A new session of somebody whose password was right; returns its name, which only his browser gets to know."""
        name = secrets.token_urlsafe(32)
        with self._lock:
            self._open[_digest(name)] = _Session(name=person.name, standing=_standing(person), begun=now.timestamp())
            self._forget_ended(now)
            self._save()
        return name

    def person(self, name: str, people: Mapping[str, Person], now: datetime) -> Person | None:
        """Whose session it is; None where it has ended or never was."""
        with self._lock:
            found = self._open.get(_digest(name))
        if found is None or not _lasts(found, now):
            return None
        person = people.get(found.name)
        return person if person is not None and _standing(person) == found.standing else None

    def end(self, name: str) -> None:
        """Its owner signs out."""
        with self._lock:
            if self._open.pop(_digest(name), None) is not None:
                self._save()

    def end_all(self, owner: str) -> int:
        """End every session of somebody, wherever his browsers are; returns how many."""
        with self._lock:
            mine = [digest for digest, found in self._open.items() if found.name == owner]
            for digest in mine:
                del self._open[digest]
            if mine:
                self._save()
        return len(mine)

    def _forget_ended(self, now: datetime) -> None:
        self._open = {digest: found for digest, found in self._open.items() if _lasts(found, now)}
        for digest in sorted(self._open, key=lambda one: self._open[one].begun)[:-MOST]:
            del self._open[digest]

    def _load(self) -> tuple[str, dict[str, _Session]]:
        try:
            document = json.loads(self._file.read_text(encoding="utf-8"))
            return str(document["key"]), {digest: _Session(**row) for digest, row in document["sessions"].items()}
        except (OSError, ValueError, KeyError, TypeError, AttributeError):
            # Nobody is signed in then.
            return secrets.token_hex(32), {}

    def _save(self) -> None:
        document = {"key": self.key, "sessions": {digest: asdict(found) for digest, found in self._open.items()}}
        # A disk without room: whoever signed in is so until the service starts anew.
        with suppress(OSError), replacing(self._file, durable=False) as beside:
            beside.touch(mode=0o600)
            beside.write_text(json.dumps(document), encoding="utf-8")


def _digest(name: str) -> str:
    return sha256(name.encode("utf-8", "replace")).hexdigest()


def _lasts(session: _Session, now: datetime) -> bool:
    return timedelta(0) <= now - datetime.fromtimestamp(session.begun, now.tzinfo) < LASTS


def _standing(person: Person) -> str:
    secret = ""
    if person.password is not None:
        with suppress(ConfigError):
            secret = person.password.reveal()
    return sha256(f"{person.role} {secret}".encode()).hexdigest()
