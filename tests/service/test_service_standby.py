"""The service keeps a bell for its standby, starts it when it is rung, and takes both away when it ends."""

from __future__ import annotations

import logging
import stat
import subprocess
import sys
import time
from pathlib import Path

import pytest

from farmwatch.places import standby_socket
from farmwatch.service import standby
from farmwatch.service.standby import Standby
from farmwatch.standby import answered
from tests.service.farm import beds, names, write_config
from tests.service.test_running import PATIENCE, running


def test_the_service_answers_looking_commands(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    with beds(names(2)) as (host, _):
        config = write_config(tmp_path, host.address, names(2))
        bell = standby_socket(tmp_path / "farmwatch.duckdb")
        with running(config) as service:
            service.wait_for("event=poll", "outcome=new", count=2)
            end = time.monotonic() + PATIENCE
            # The first call starts it and does not wait for it.
            while answered(["--config", str(config), "machine", "heron-01"]) != 0:
                assert time.monotonic() < end
                time.sleep(0.05)
            assert "heron-01" in capfd.readouterr().out
            assert stat.S_IMODE(bell.stat().st_mode) == 0o600
            assert service.end()[0] == 0
        assert not bell.exists()
        assert not [line for line in service.lines if "level=error" in line or "Traceback" in line]


def test_after_a_service_that_was_killed_the_bell_is_hung_anew(tmp_path: Path) -> None:
    database = tmp_path / "farmwatch.duckdb"
    code = (
        "import os, sys; from pathlib import Path; from farmwatch.service.standby import Standby\n"
        "Standby(Path(sys.argv[1])).start(); os.kill(os.getpid(), 9)"
    )
    subprocess.run([sys.executable, "-c", code, str(database)], timeout=PATIENCE, check=False)
    assert standby_socket(database).exists()
    config = tmp_path / "config.toml"
    config.write_text('[farm]\ndatabase = "farmwatch.duckdb"\n')
    # Nobody behind it: the command is run as ever.
    assert answered(["--config", str(config), "fleet"]) is None
    again = Standby(database)
    again.start()
    again.close()
    assert not standby_socket(database).exists()


def test_a_path_too_long_for_a_socket_is_no_fault(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    folder = tmp_path / ("d" * 120)
    folder.mkdir()
    with caplog.at_level(logging.INFO):
        kept = Standby(folder / "farmwatch.duckdb")
        kept.start()
        kept.close()
    assert "no-standby" in caplog.text
    assert not list(folder.iterdir())


def test_one_that_will_not_start_is_said_and_not_tried_at_once_again(
    tmp_path: Path, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    begun: list[str] = []

    def failing(module: str, *_: str) -> list[str]:
        begun.append(module)
        return [sys.executable, "-c", "raise SystemExit(3)"]

    monkeypatch.setattr(standby, "command_line", failing)
    config = tmp_path / "config.toml"
    config.write_text('[farm]\ndatabase = "farmwatch.duckdb"\n')
    kept = Standby(tmp_path / "farmwatch.duckdb")
    with caplog.at_level(logging.INFO):
        kept.start()
        assert answered(["--config", str(config), "fleet"]) is None
        end = time.monotonic() + PATIENCE
        while "standby-failed" not in caplog.text:
            assert time.monotonic() < end
            time.sleep(0.02)
        assert answered(["--config", str(config), "fleet"]) is None
        kept.close()
    assert begun == ["farmwatch.cli.answering"]
