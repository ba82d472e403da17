"""Taking DuckDB's log into the file, so that neither a kill nor a power cut in the middle tears it.

A checkpoint writes rows to free places, fsyncs, and makes them count by one header of two. But the block that tells
where everything stands is written in its own place, 256 KiB under one checksum, long before that header: cut short, it
contradicts its checksum and the whole database is unreadable. (Found by kills inside DuckDB 2.0's own calls, which
tests/store/dying.py repeats; `pragma_metadata_info` names the blocks. To leave the log until it is large saves a write
next to nothing and costs every open some 3 ms a MB of it: so it is taken in after each write.)

So what is written in its own place goes to `<database>.undo` before, with a digest, fsynced, and goes away after. One
that is still there at an open tells of a checkpoint cut short. Where the header is the old one, its blocks are put
back: then the file is as it was, and the log beside it holds whatever was committed since. Where the header is a new
one, the checkpoint had been completed.
"""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from contextlib import suppress
from hashlib import blake2b
from pathlib import Path
from typing import BinaryIO

from farmwatch.files import how_to_own, keep_owner, sync_folder
from farmwatch.store.engine import Connection
from farmwatch.store.errors import StoreReadOnly
from farmwatch.store.files import lock

__all__ = ["fold", "is_settled", "mend", "refuse_unmended"]

# One main header and two that take turns, each of 4 KiB; block 0 follows.
_HEADERS = 3 * 4096
_DIGEST_BYTES = 32
_WHERE = "SELECT DISTINCT block_id FROM pragma_metadata_info('farm') ORDER BY block_id"
_BLOCK_SIZE = "SELECT block_size FROM pragma_database_size() WHERE database_name = 'farm'"


def _undo(path: Path) -> Path:
    return path.with_name(f"{path.name}.undo")


def fold(con: Connection, file: BinaryIO, path: Path) -> None:
    """Take the log into the file attached as `farm`; `file` is the same one, open for reading.

    Raises OSError or duckdb.Error; what is committed is safe then, in the log or in the file.
    """
    if not _has_log(path):
        return
    _keep(con, file, path)
    con.execute("CHECKPOINT")
    _undo(path).unlink(missing_ok=True)


def mend(path: Path, *, is_damaged: bool = False) -> bool:
    """Take back a checkpoint that was cut short; returns whether there was one. Nothing is attached in this process.

    One that is under way in another process is left alone. is_damaged: DuckDB could not open the file though its
    header is a new one: then the power went while that was written, before anything else.
    """
    undo = _undo(path)
    if not undo.exists() or not os.access(path, os.W_OK):
        return False
    with path.open("r+b") as file:
        if not lock(file):
            return False
        kept = _read(undo)
        if kept is None or not (_has_headers(file, kept) or (is_damaged and _has_log(path))):
            return False
        for start, body in kept.items():
            file.seek(start)
            file.write(body)
        file.flush()
        os.fsync(file.fileno())
        undo.unlink(missing_ok=True)
    return True


def refuse_unmended(path: Path) -> None:
    """Raise StoreReadOnly where a checkpoint was cut short and this user may not take it back."""
    if _undo(path).exists() and not os.access(path, os.W_OK):
        raise StoreReadOnly(
            f"{path}: a write to it was cut short; whoever may write it mends it by any command (the service by its "
            f"next poll). Here {how_to_own(path)}"
        )


def is_settled(path: Path, file: BinaryIO) -> bool:
    """Whether what was attached is whole, and is what `path` names; asked while it is attached, with `file` opened
    before: so nobody writes to it. A process may have been killed, or a backup restored, between look and open."""
    undo = _undo(path)
    if not os.path.samestat(os.fstat(file.fileno()), path.stat()):
        return False
    if undo.exists():
        kept = _read(undo)
        if kept is not None and _has_headers(file, kept):
            return False
        # Either the checkpoint had been completed, or it had not begun.
        with suppress(OSError):
            undo.unlink()
    return True


def _has_log(path: Path) -> bool:
    log = path.with_name(f"{path.name}.wal")
    return log.exists() and log.stat().st_size > 0


def _has_headers(file: BinaryIO, kept: Mapping[int, bytes]) -> bool:
    file.seek(0)
    return file.read(_HEADERS) == kept[0]


def _keep(con: Connection, file: BinaryIO, path: Path) -> None:
    row = con.execute(_BLOCK_SIZE).fetchone()
    size = int(row[0]) if row else 0
    places = [(0, _HEADERS)]
    places += [(_HEADERS + number * size, size) for (number,) in con.execute(_WHERE).fetchall()]
    body = bytearray(f"{json.dumps(places)}\n".encode())
    for start, length in places:
        file.seek(start)
        body += file.read(length)
    undo = _undo(path)
    try:
        with undo.open("wb") as out:
            out.write(blake2b(body, digest_size=_DIGEST_BYTES).digest())
            out.write(body)
            out.flush()
            os.fsync(out.fileno())
        keep_owner(path.stat(), undo)
        sync_folder(path.parent)
    except BaseException:
        with suppress(OSError):
            undo.unlink(missing_ok=True)
        raise


def _read(undo: Path) -> dict[int, bytes] | None:
    """The headers and blocks by their places; None where it is not whole: no checkpoint had begun."""
    try:
        whole = undo.read_bytes()
    except FileNotFoundError:
        return None
    digest, body = whole[:_DIGEST_BYTES], whole[_DIGEST_BYTES:]
    if blake2b(body, digest_size=_DIGEST_BYTES).digest() != digest:
        return None
    line, _, rest = body.partition(b"\n")
    pieces: dict[int, bytes] = {}
    for start, length in json.loads(line):
        pieces[start], rest = rest[:length], rest[length:]
    return pieces
