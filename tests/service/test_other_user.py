"""Commands by root beside a service of another user leave nothing that it cannot read and write."""

from __future__ import annotations

import os
import re
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

    def run(self, user: int, *commands: list[str]) -> list[str]:
        """What each command says, with "exit N" at its end."""
        command = [sys.executable, "-m", "tests.service.as_user", str(user), str(self.config), str(self.scratch)]
        words = [word for one in commands for word in ("--", *one)][1:]
        done = subprocess.run([*command, *words], capture_output=True, text=True, timeout=60, check=True)
        said = re.findall(r"(.*?exit \d+)\n", done.stdout, re.S)
        assert len(said) == len(commands), done.stdout + done.stderr
        return [" ".join(one.split()) for one in said]

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


def test_what_root_would_write_is_refused_with_the_command_for_it_and_a_restore_stays_the_services_own(
    farm: Farm, tmp_path: Path
) -> None:
    copy = tmp_path / "copy.duckdb"
    Store(farm.scratch.with_name("farmwatch.duckdb")).backup(copy)
    refused = [
        ["poll"], ["note", "heron-01", "belt"], ["report", "--week", "2026-W40"],
        ["out", "heron-01", "--reason", "bench"],
    ]  # fmt: skip
    *said, restored = farm.run(0, *refused, ["restore", str(copy)])
    for words, one in zip(refused, said, strict=True):
        assert f"run: sudo -u '#{SERVICE}' farmwatch {' '.join(words)} exit 2" in one
    assert restored.endswith("exit 0")
    assert not farm.strangers()


def test_files_of_the_wrong_owner_are_named_with_the_command_that_mends_them(farm: Farm) -> None:
    os.chown(farm.database, 0, 0)
    pending = farm.database.with_name("farmwatch.duckdb.pending")
    pending.touch(mode=0o600)
    [said] = farm.run(SERVICE, ["poll"])
    assert said.endswith("exit 2")
    for path in (farm.database, pending):
        assert f"to mend it: sudo chown {SERVICE} {path} && sudo chmod u+rw {path}" in said
    for path in (farm.database, pending):
        os.chown(path, SERVICE, SERVICE)
    assert farm.run(SERVICE, ["poll"])[0].endswith("exit 0")


def test_a_pending_file_that_root_begins_belongs_to_the_folders_owner(farm: Farm) -> None:
    pending = DurableWriter(Store(farm.database)).pending
    pending.append((), ())
    assert not farm.strangers()
