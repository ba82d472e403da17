"""Commands and long readers beside a running service: none fails, no reading is lost."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from farmwatch.cli import run
from farmwatch.service.running import DATABASE_PATIENCE_SECONDS
from farmwatch.store import Store
from tests.service.farm import beds, names, write_config
from tests.service.test_running import PATIENCE, running

# Holds the database open for longer than the service waits for it.
READER = """
import duckdb, sys, time
end = time.monotonic() + 30
while True:
    try:
        con = duckdb.connect(sys.argv[1], read_only=True)
        break
    except duckdb.IOException:
        if time.monotonic() > end: raise
        time.sleep(0.02)
con.execute("BEGIN")
print(con.execute("SELECT count(*) FROM readings").fetchone()[0], flush=True)
time.sleep(float(sys.argv[2]))
con.close()
"""


@pytest.mark.long
def test_twelve_commands_and_three_long_readers(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with beds(names(3)) as (host, given):
        config = write_config(tmp_path, host.address, names(3))
        with running(config) as service:
            service.wait_for("event=night")
            database = tmp_path / "farmwatch.duckdb"
            command = [sys.executable, "-c", READER, str(database), str(DATABASE_PATIENCE_SECONDS + 0.5)]
            readers = [subprocess.Popen(command, stdout=subprocess.PIPE) for _ in range(3)]
            for words in _commands(tmp_path):
                assert run(["--config", str(config), *words]) == 0, (words, capsys.readouterr())
            for reader in readers:
                out, _ = reader.communicate(timeout=PATIENCE)
                assert reader.returncode == 0
                assert int(out) > 0
            polls = len([line for line in service.lines if "event=poll " in line])
            service.wait_for("event=poll", count=polls + 3)
            assert service.ask("/health")[0] == 200
            assert service.end()[0] == 0
        assert not [line for line in service.lines if "level=error" in line]
        assert Store(database).reading_count() == sum(given.given.values())


def _commands(folder: Path) -> list[list[str]]:
    return [
        ["fleet"],
        ["note", "heron-01", "belt", "--by", "bench"],
        ["machine", "heron-01"],
        ["out", "heron-02", "--reason", "at the bench"],
        ["assess", "--machine", "heron-01", "--json"],
        ["back", "heron-02"],
        ["poll", "--machine", "heron-03"],
        ["fleet", "--json"],
        ["report", "--week", "2026-W40"],
        ["backup", str(folder / "copy.duckdb")],
        ["ticket", "list"],
        ["export", "--to", str(folder / "out")],
    ]
