"""Kinds of fault are told by type and number: whatever words a path holds, and however a file is damaged."""

from __future__ import annotations

import errno
import subprocess
import sys
from pathlib import Path

import duckdb
import pytest

from farmwatch.store import Store, StoreError
from farmwatch.store.errors import StoreBusy, StoreDamaged, StoreFull, StoreReadOnly, translated

# Each holds words that some fault would be known by.
PLACES = ("clock-tower", "no space left", "permission denied (PID 12)", 'corrupt checksum "errno":"28"', "read-only")
HOLD = "import duckdb, sys; con = duckdb.connect(sys.argv[1]); print('held', flush=True); sys.stdin.read()"


@pytest.fixture(params=PLACES)
def database(tmp_path: Path, request: pytest.FixtureRequest) -> Path:
    folder = tmp_path / request.param
    folder.mkdir()
    path = folder / "farm.duckdb"
    Store(path).check()
    return path


def fault_of(path: Path) -> StoreError:
    with pytest.raises(StoreError) as caught:
        Store(path, patience_seconds=0.2).check()
    return caught.value


@pytest.mark.parametrize("length", [100, 13_000])
def test_a_truncated_database_is_damaged_wherever_it_lies(database: Path, length: int) -> None:
    database.write_bytes(database.read_bytes()[:length])
    assert type(fault_of(database)) is StoreDamaged


def test_a_flipped_block_is_damaged_wherever_it_lies(database: Path) -> None:
    whole = bytearray(database.read_bytes())
    # After the three headers of 4 KiB.
    for at in range(3 * 4096, len(whole)):
        whole[at] ^= 0x55
    database.write_bytes(whole)
    with pytest.raises(StoreDamaged):
        Store(database).backup(database.with_name("copy.duckdb"))


def test_one_that_is_held_is_busy_by_whom_wherever_it_lies(database: Path) -> None:
    with subprocess.Popen(
        [sys.executable, "-c", HOLD, str(database)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "held\n"
        fault = fault_of(database)
        process.communicate("")
    assert type(fault) is StoreBusy
    assert f"held by process {process.pid} " in str(fault)


@pytest.mark.parametrize(
    ("number", "kind"),
    [
        (errno.ENOSPC, StoreFull), (errno.EDQUOT, StoreFull), (errno.EFBIG, StoreFull), (errno.EROFS, StoreReadOnly),
        (errno.EACCES, StoreReadOnly), (errno.EPERM, StoreReadOnly), (errno.EIO, StoreError),
    ],
)  # fmt: skip
def test_the_systems_number_decides(tmp_path: Path, number: int, kind: type[StoreError]) -> None:
    database = tmp_path / "farm.duckdb"
    said = f'{{"exception_type":"IO","exception_message":"{"x" * 9}","errno":"{number}"}}'
    assert type(translated(duckdb.IOException(f"IO Error: {said}"), database)) is kind
    assert type(translated(OSError(number, "no words"), database)) is kind


def test_a_bug_of_ours_is_no_fault_of_the_database(tmp_path: Path) -> None:
    database = tmp_path / "farm.duckdb"
    assert translated(KeyError("lock, no space left, read-only, corrupt"), database) is None
    assert translated(duckdb.CatalogException("lock, no space left, read-only, corrupt"), database) is None
