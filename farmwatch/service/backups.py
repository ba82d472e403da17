"""The night's copies of the database: a folder beside it, the newest eight kept."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from pathlib import Path

from farmwatch.errors import FarmwatchError
from farmwatch.store import Store

__all__ = ["KEPT", "back_up", "backups"]

KEPT = 8
FOLDER = "backups"


def back_up(store: Store, now: datetime) -> tuple[Path, int]:
    """Copy the database into `backups/` beside it and let go of the oldest copies; returns the copy and its readings.

    Raises FarmwatchError. Nothing but copies made here is ever removed, and none before the new one is checked.
    """
    folder = store.path.with_name(FOLDER)
    try:
        folder.mkdir(mode=0o750, exist_ok=True)
    except OSError as fault:
        raise FarmwatchError(f"{folder}: cannot be made ({fault.strerror}); check the owner of its folder") from fault
    target = folder / f"{store.path.stem}-{now.astimezone(UTC):%Y%m%dT%H%M%SZ}{store.path.suffix}"
    readings = store.backup(target)
    # The newest by their names' time, the one just made among them whatever the clock says.
    for old in [path for path in backups(store.path) if path != target][: -(KEPT - 1)]:
        old.unlink(missing_ok=True)
    return target, readings


def backups(database: Path) -> list[Path]:
    """The copies of a database made here, the oldest first."""
    folder = database.with_name(FOLDER)
    name = re.compile(re.escape(database.stem) + r"-\d{8}T\d{6}Z" + re.escape(database.suffix))
    return sorted(path for path in folder.glob("*") if name.fullmatch(path.name))
