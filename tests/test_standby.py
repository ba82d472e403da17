"""Ringing for the standby: what is asked of it, what comes of its answer, and that nothing is run twice or lost."""

from __future__ import annotations

import json
import os
import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from farmwatch.places import standby_socket
from farmwatch.standby import GO_ON, answered, this_farmwatch

FARM = '[farm]\nname = "Saltmarsh Tidegate Works"\ndatabase = "farmwatch.duckdb"\n'


@pytest.fixture
def config(tmp_path: Path) -> Path:
    path = tmp_path / "config.toml"
    path.write_text(FARM)
    return path


@contextmanager
def bell(config: Path, attend: Callable[[socket.socket], None]) -> Iterator[list[str]]:
    """A standby of the test's own: one call, attended by `attend`; yields the faults it met."""
    faults: list[str] = []

    def serve() -> None:
        line, _ = listener.accept()
        with line:
            line.settimeout(5)
            try:
                attend(line)
            except Exception as fault:
                faults.append(repr(fault))

    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as listener:
        listener.bind(str(standby_socket(config.parent / "farmwatch.duckdb")))
        listener.listen(1)
        thread = threading.Thread(target=serve, daemon=True)
        thread.start()
        yield faults
        thread.join(10)
        assert not thread.is_alive()


class Attendant:
    """Accepts, writes a line onto the caller's streams, and answers with a code."""

    def __init__(self, code: bytes) -> None:
        self.code = code
        self.greeting: dict[str, Any] = {}
        self.request: dict[str, Any] = {}

    def __call__(self, line: socket.socket) -> None:
        self.greeting = json.loads(line.recv(65536))
        line.sendall(GO_ON)
        message, streams, _, _ = socket.recv_fds(line, 65536, 3)
        self.request = json.loads(message)
        os.write(streams[1], b"from the standby\n")
        for stream in streams:
            os.close(stream)
        if self.code:
            line.sendall(self.code)


@pytest.mark.parametrize("named", [["--config", "{}"], ["--config={}"]])
def test_the_standby_writes_to_the_callers_own_streams_and_its_code_comes_back(
    config: Path, named: list[str], monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("COLUMNS", "57")
    monkeypatch.setenv("FARM_SECRET", "barnacle")
    attend = Attendant(b"\x03")
    with bell(config, attend) as faults:
        assert answered([part.format(config) for part in named] + ["assess", "--machine", "x y"]) == 3
    assert not faults
    assert capfd.readouterr().out == "from the standby\n"
    assert attend.greeting == {"farmwatch": this_farmwatch(), "config": str(config)}
    assert attend.request["arguments"] == ["--config", str(config), "assess", "--machine", "x y"]
    assert attend.request["environment"]["COLUMNS"] == "57"
    assert "barnacle" not in str(attend.request)


def test_the_configuration_is_looked_for_as_ever(
    config: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.delenv("FARMWATCH_CONFIG", raising=False)
    monkeypatch.chdir(config.parent)
    attend = Attendant(b"\x00")
    with bell(config, attend):
        assert answered(["fleet"]) == 0
    assert attend.request["arguments"] == ["--config", str(config), "fleet"]
    assert capfd.readouterr().out


def test_a_standby_that_ends_in_the_middle_is_said(config: Path, capfd: pytest.CaptureFixture[str]) -> None:
    with bell(config, Attendant(b"")):
        assert answered(["--config", str(config), "fleet"]) == 1
    assert "run it again" in capfd.readouterr().err


def _hang_up(line: socket.socket) -> None:
    line.recv(65536)


def _say_no(line: socket.socket) -> None:
    line.recv(65536)
    line.sendall(b"-")


def _say_nothing(line: socket.socket) -> None:
    """Too late for the caller; and then nothing may come that could be run a second time."""
    line.recv(65536)
    assert line.recv(1) == b""


@pytest.mark.parametrize("attend", [_hang_up, _say_no, _say_nothing])
def test_a_standby_that_does_not_take_it_leaves_it_to_the_command(
    config: Path, attend: Callable[[socket.socket], None], capfd: pytest.CaptureFixture[str]
) -> None:
    with bell(config, attend) as faults:
        assert answered(["--config", str(config), "fleet"]) is None
    assert not faults
    assert capfd.readouterr() == ("", "")


def test_a_call_too_long_for_the_wire_is_run_here(config: Path) -> None:
    with bell(config, lambda line: line.sendall(GO_ON)):
        assert answered(["--config", str(config), "assess", *["--machine", "x" * 40] * 2000]) is None


@pytest.mark.parametrize(
    "words",
    [
        [], ["poll"], ["note", "heron-01", "belt"], ["fleet", "--help"], ["machine", "-h"], ["--help"], ["--config"],
        ["--version", "fleet"],
    ],
)  # fmt: skip
def test_only_looking_is_asked_of_it(config: Path, words: list[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(config.parent)

    def never(*_: object) -> socket.socket:
        raise AssertionError("it was rung")

    monkeypatch.setattr(socket, "socket", never)
    assert answered(words) is None


@pytest.mark.parametrize(
    "text",
    ["", "[farm", "farm = 3\n", "[farm]\n", "[farm]\ndatabase = 3\n", '[farm]\ndatabase = "~nobody-here/x"\n', FARM],
)
def test_whatever_stands_in_the_configuration_the_command_itself_says_it(tmp_path: Path, text: str) -> None:
    path = tmp_path / "config.toml"
    path.write_text(text)
    assert answered(["--config", str(path), "fleet"]) is None
    assert answered(["--config", str(tmp_path / "none.toml"), "fleet"]) is None
