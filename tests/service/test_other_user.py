"""Commands by root beside a service of another user leave nothing that it cannot read and write."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from farmwatch.store import DurableWriter, Store
from tests.service.farm import beds, names, write_config

pytestmark = pytest.mark.skipif(os.geteuid() != 0, reason="only root can be another user")
# A number that no user of a computer is likely to bear.
SERVICE = 64_001


class Farm:
    """A farm whose files belong to the service's user."""

    def __init__(self, folder: Path, scratch: Path, address: str) -> None:
        self.folder = folder
        self.config = write_config(folder, address, names(1))
        self.scratch = write_config(scratch, address, names(1))
        self.database = folder / "farmwatch.duckdb"
        Store(self.database).check()
        for path in (folder, self.config, self.database):
            os.chown(path, SERVICE, SERVICE)

    def run(self, user: int, *words: str) -> tuple[int, str]:
        command = [sys.executable, "-m", "tests.service.as_user", str(user), str(self.config), str(self.scratch)]
        done = subprocess.run([*command, *words], capture_output=True, text=True, timeout=60, check=False)
        return done.returncode, " ".join((done.stdout + done.stderr).split())

    def strangers(self) -> list[str]:
        return [path.name for path in self.folder.rglob("*") if path.stat().st_uid != SERVICE]


@pytest.fixture
def farm(tmp_path: Path) -> Iterator[Farm]:
    # pytest's own folder is closed to other users.
    folder = Path(tempfile.mkdtemp(prefix="farm-"))
    folder.chmod(0o755)
    with beds(names(1)) as (host, _):
        yield Farm(folder, tmp_path, host.address)
    shutil.rmtree(folder)


@pytest.mark.parametrize(
    "words",
    [
        ["poll"],
        ["note", "heron-01", "belt"],
        ["report", "--week", "2026-W40"],
        ["out", "heron-01", "--reason", "bench"],
    ],
)
def test_what_root_would_write_is_refused_with_the_command_for_it(farm: Farm, words: list[str]) -> None:
    code, said = farm.run(0, *words)
    assert code == 2
    assert f"run: sudo -u '#{SERVICE}' farmwatch {' '.join(words)}" in said
    assert not farm.strangers()


def test_a_restore_by_root_stays_the_services_own(farm: Farm, tmp_path: Path) -> None:
    copy = tmp_path / "copy.duckdb"
    Store(farm.scratch.with_name("farmwatch.duckdb")).backup(copy)
    code, said = farm.run(0, "restore", str(copy))
    assert code == 0, said
    assert not farm.strangers()


def test_files_of_the_wrong_owner_are_named_with_the_command_that_mends_them(farm: Farm) -> None:
    os.chown(farm.database, 0, 0)
    pending = farm.database.with_name("farmwatch.duckdb.pending")
    pending.touch(mode=0o600)
    code, said = farm.run(SERVICE, "poll")
    assert code == 2
    for path in (farm.database, pending):
        assert f"to mend it: sudo chown {SERVICE} {path} && sudo chmod u+rw {path}" in said
    for path in (farm.database, pending):
        os.chown(path, SERVICE, SERVICE)
    assert farm.run(SERVICE, "poll")[0] == 0


def test_a_pending_file_that_root_begins_belongs_to_the_folders_owner(farm: Farm) -> None:
    pending = DurableWriter(Store(farm.database)).pending
    pending.append((), ())
    assert not farm.strangers()
