"""Does a thing again and again on copies of a folder, each time killed at one system call later.

    python -m tests.store.kills WHAT TEMPLATE WORK [PART]

At the calls that Python makes; with PART, preloaded with dying.c, at all calls, so many bytes of a write done.
Writes the folders WORK/1, WORK/2, ... and prints how many there are; in the last one nothing was killed. It forks, so
that all is loaded once: DuckDB, which has threads, is started in the copies only.
"""

from __future__ import annotations

import ctypes
import os
import shutil
import signal
import sys
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from farmwatch.files import replacing
from farmwatch.store import Store, undo

# Whatever changes what lies on the disk, as far as Python does it.
CALLS = ("replace", "rename", "link", "unlink", "fsync", "ftruncate", "chmod", "chown")
NOW = datetime(2026, 11, 23, 6, 0, tzinfo=UTC)
MOST = 300


def _restore(folder: Path) -> None:
    Store(folder / "farm.duckdb").restore(folder / "backup.duckdb", NOW)


def _backup(folder: Path) -> None:
    Store(folder / "farm.duckdb").backup(folder / "copy.duckdb")


def _open(folder: Path) -> None:
    Store(folder / "farm.duckdb").check()


def _report(folder: Path) -> None:
    with replacing(folder / "report.html") as beside:
        beside.write_bytes(b"new" * 1000)


def _leave_log(folder: Path) -> None:
    """Commit a reading, and be killed before it is folded into the file: a write-ahead log stays beside it."""
    undo.fold = lambda *_: os.kill(os.getpid(), signal.SIGKILL)  # type: ignore[assignment]
    from tests.store.conftest import make_reading

    Store(folder / "farm.duckdb").add_readings([make_reading(hours=99, seed=99)])


WHAT: dict[str, Callable[[Path], None]] = {
    "restore": _restore, "backup": _backup, "open": _open, "report": _report, "leave-log": _leave_log,
}  # fmt: skip


def _killing(name: str, at: int, count: list[int]) -> Callable[..., Any]:
    real = getattr(os, name)

    def call(*arguments: Any, **more: Any) -> Any:
        count[0] += 1
        if count[0] == at:
            os.kill(os.getpid(), signal.SIGKILL)
        return real(*arguments, **more)

    return call


def main(what: str, template: Path, work: Path, part: int | None = None) -> int:
    for at in range(1, MOST):
        folder = work / str(at)
        shutil.copytree(template, folder)
        child = os.fork()
        if child == 0:
            if part is None:
                count = [0]
                for name in CALLS:
                    setattr(os, name, _killing(name, at, count))
            else:
                ctypes.CDLL(None).dying_arm(str(folder).encode(), ctypes.c_long(at), ctypes.c_long(part))
            WHAT[what](folder)
            os._exit(0)
        _, status = os.waitpid(child, 0)
        if not os.WIFSIGNALED(status):
            return at if os.waitstatus_to_exitcode(status) == 0 else 0
    return 0


if __name__ == "__main__":
    print(main(sys.argv[1], Path(sys.argv[2]), Path(sys.argv[3]), *map(int, sys.argv[4:])))
