"""What was accepted but could not be stored yet: NDJSON lines in a file beside the database, fsynced.

Several processes may append; a lock on the file keeps them apart. A line counts only once its newline is on disk,
so a torn last line (a crash in mid-append) was never promised to anyone and is dropped. Loading is idempotent, so
the file is emptied only after all of it stands in the database, and a crash in between costs nothing.
"""

from __future__ import annotations

import base64
import fcntl
import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any, BinaryIO

import orjson

from farmwatch.files import give_to_owner, sync_folder
from farmwatch.history import Reading
from farmwatch.outcomes import OUTCOMES
from farmwatch.store.reading_facts import LineRefused, instant, valid_text
from farmwatch.store.reading_json import reading_line, reading_of
from farmwatch.store.records import PollRecord
from farmwatch.times import rfc3339

__all__ = ["Batch", "PendingFile"]

_BATCH_LINES = 2_000
_POLL = b'{"poll":'
# Polls say how a host behaves, readings are the farm's own data: a long outage may fill the disk with the latter only.
_LARGEST_FOR_POLLS = 64 << 20


@dataclass(frozen=True, slots=True)
class Batch:
    """Some of what waits, in the order in which it came; `unread` are lines that could not be understood."""

    readings: list[Reading]
    polls: list[PollRecord]
    unread: list[bytes]


class PendingFile:
    """The file `<database>.pending`; it need not exist."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._counted: tuple[tuple[int, int, int], int] = ((-1, -1, -1), 0)

    def append(self, readings: Sequence[Reading], polls: Sequence[PollRecord]) -> None:
        """Add and fsync, whole or not at all. Polls are left out once the file is large. Raises OSError."""
        is_new = not self.path.exists()
        with self._locked("a+b") as file:
            end = _whole_length(file)
            lines = [reading_line(reading) for reading in readings]
            if end < _LARGEST_FOR_POLLS:
                lines += [_poll_line(poll) for poll in polls]
            try:
                os.ftruncate(file.fileno(), end)
                _write(file.fileno(), b"".join(lines))
                os.fsync(file.fileno())
            except OSError:
                os.ftruncate(file.fileno(), end)
                raise
        if is_new:
            give_to_owner(self.path)
            sync_folder(self.path.parent)

    def count(self) -> int:
        """How many readings wait."""
        try:
            found = self.path.stat()
        except FileNotFoundError:
            return 0
        key = (found.st_ino, found.st_size, found.st_mtime_ns)
        if key != self._counted[0]:
            with self.path.open("rb") as file:
                number = sum(1 for line in file if line.endswith(b"\n") and not line.startswith(_POLL))
            self._counted = (key, number)
        return self._counted[1]

    def waiting(self) -> Iterator[Reading]:
        """The readings that wait, in the order in which they came."""
        if self.path.exists():
            with self._locked("rb") as file:
                for batch in _batches(file):
                    yield from batch.readings

    def load(self, store: Callable[[Batch], None]) -> int:
        """Give everything to `store`, batch by batch, then empty the file; returns how many readings there were.

        What `store` raises is passed on, and everything waits on. Lines that cannot be read are moved to
        `<file>.unread`.
        """
        if not self.path.exists() or self.path.stat().st_size == 0:
            return 0
        number = 0
        with self._locked("r+b") as file:
            for batch in _batches(file):
                store(batch)
                number += len(batch.readings)
                self._set_aside(batch.unread)
            file.truncate(0)
            os.fsync(file.fileno())
        return number

    def _set_aside(self, lines: Iterable[bytes]) -> None:
        whole = b"".join(lines)
        if whole:
            with self.path.with_name(f"{self.path.name}.unread").open("ab") as aside:
                aside.write(whole)
                aside.flush()
                os.fsync(aside.fileno())

    @contextmanager
    def _locked(self, mode: str) -> Iterator[BinaryIO]:
        with self.path.open(mode) as file:
            fcntl.flock(file, fcntl.LOCK_EX if "+" in mode else fcntl.LOCK_SH)
            yield file  # type: ignore[misc]  # a binary mode opens a binary file


def _write(descriptor: int, data: bytes) -> None:
    """Straight to the system: a buffer would try again on closing, behind the back of a file cut short."""
    view = memoryview(data)
    while view:
        view = view[os.write(descriptor, view) :]


def _whole_length(file: BinaryIO) -> int:
    """The length of the file up to its last newline."""
    end = file.seek(0, os.SEEK_END)
    while end > 0:
        start = max(0, end - 65536)
        file.seek(start)
        at = file.read(end - start).rfind(b"\n")
        if at >= 0:
            return start + at + 1
        end = start
    return 0


def _batches(file: BinaryIO) -> Iterator[Batch]:
    file.seek(0)
    batch = Batch([], [], [])
    for number, line in enumerate(file, start=1):
        if line.endswith(b"\n"):
            _sort_in(line, batch)
        if number % _BATCH_LINES == 0:
            yield batch
            batch = Batch([], [], [])
    if batch.readings or batch.polls or batch.unread:
        yield batch


def _sort_in(line: bytes, batch: Batch) -> None:
    try:
        parsed = orjson.loads(line)
        if isinstance(parsed, dict) and "poll" in parsed:
            batch.polls.append(_poll_of(parsed["poll"]))
        elif isinstance(parsed, dict):
            reading = reading_of(parsed, instant(parsed, "seen_at"))
            if "answer" in parsed:
                reading = replace(reading, answer=base64.b64decode(parsed["answer"]))
            batch.readings.append(reading)
        else:
            batch.unread.append(line)
    except (ValueError, LineRefused, KeyError, TypeError):
        batch.unread.append(line)


def _poll_line(poll: PollRecord) -> bytes:
    members: dict[str, Any] = {
        "machine": poll.machine,
        "at": rfc3339(poll.at, exact=True),
        "outcome": poll.outcome,
        "reason": valid_text(poll.reason),
        "seconds": poll.seconds,
    }
    return orjson.dumps({"poll": members}, option=orjson.OPT_APPEND_NEWLINE)


def _poll_of(members: dict[str, Any]) -> PollRecord:
    if members["outcome"] not in OUTCOMES:
        raise LineRefused(f"outcome: {members['outcome']!r}")
    at: datetime = instant(members, "at")
    return PollRecord(
        machine=str(members["machine"]),
        at=at,
        outcome=members["outcome"],
        reason=str(members["reason"]),
        seconds=float(members["seconds"]),
    )
