"""The standby at work: the same words and codes as the command by itself, for its own user, for looking only."""

from __future__ import annotations

import json
import os
import socket
import struct
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest

from farmwatch.cli import answering, run
from farmwatch.places import standby_socket
from farmwatch.standby import GO_ON, answered, this_farmwatch
from tests.cli.conftest import place_farm

PATIENCE = 60.0
# Ends with 7 where the standby ran it well, with 8 where it did not take it.
_RING = """
import sys
from farmwatch.standby import answered
sys.exit({0: 7, None: 8}.get(answered(["--config", sys.argv[1], "fleet"]), 9))
"""


@contextmanager
def standing_by(config: Path) -> Iterator[subprocess.Popen[bytes]]:
    """A real one, on the socket of a farm."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as listener:
        listener.bind(str(standby_socket(config.parent / "farmwatch.duckdb")))
        listener.listen(8)
        number = listener.fileno()
        process = subprocess.Popen(
            [sys.executable, "-m", "farmwatch.cli.answering", str(number)], stdin=subprocess.PIPE, pass_fds=(number,)
        )
        try:
            assert process.stdin is not None
            _await_greeting(config)
            yield process
        finally:
            process.stdin.close()
            # What holds its standard input has gone: so does it.
            assert process.wait(PATIENCE) == 0
            standby_socket(config.parent / "farmwatch.duckdb").unlink()


@pytest.fixture(scope="module")
def one_standby(
    tmp_path_factory: pytest.TempPathFactory, stored: bytes
) -> Iterator[tuple[Path, subprocess.Popen[bytes]]]:
    """A farm and its standby, for the tests that leave both as they found them."""
    config = place_farm(tmp_path_factory.mktemp("standing"), stored)
    with standing_by(config) as process:
        yield config, process
        assert process.poll() is None


@pytest.fixture
def attended(one_standby: tuple[Path, subprocess.Popen[bytes]], monkeypatch: pytest.MonkeyPatch) -> Path:
    """The configuration of a farm with a standby."""
    monkeypatch.setenv("COLUMNS", "80")
    return one_standby[0]


def _ring(config: Path) -> socket.socket:
    line = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    line.settimeout(PATIENCE)
    line.connect(str(standby_socket(config.parent / "farmwatch.duckdb")))
    return line


def _greet(line: socket.socket, config: Path, stamp: list[str] | None = None) -> bytes:
    line.sendall(json.dumps({"farmwatch": stamp or this_farmwatch(), "config": str(config)}).encode() + b"\n")
    return line.recv(1)


def _await_greeting(config: Path) -> None:
    """Until it has loaded."""
    with _ring(config) as line:
        assert _greet(line, config) == GO_ON


def test_it_says_what_the_command_says(attended, monkeypatch, capfd):
    monkeypatch.setattr(sys, "argv", ["farmwatch"])
    cases = [
        ["fleet"], ["fleet", "--fail-on", "past-limit"], ["machine", "heron-01"], ["machine", "none such"],
        ["machine"], ["assess", "--machine", "plover-01", "--at", "2026-11-24 06:00"], ["fleet", "--at", "rubbish"],
        ["assess", "--json", "--at", "2026-11-24T06:00:00Z"],
    ]  # fmt: skip
    for columns in ("45", "110"):
        monkeypatch.setenv("COLUMNS", columns)
        before = [(run(["--config", str(attended), *words]), *capfd.readouterr()) for words in cases]
        there = [(answered(["--config", str(attended), *words]), *capfd.readouterr()) for words in cases]
        after = [(run(["--config", str(attended), *words]), *capfd.readouterr()) for words in cases]
        assert [code for code, *_ in there] == [0, 3, 0, 2, 2, 0, 2, 0]
        # What says the minute may have been asked for in the one or in the next.
        assert [said for said, *here in zip(there, before, after, strict=True) if said not in here] == []


def test_a_reader_that_has_gone_is_no_fault_there_either(attended):
    reader, writer = os.pipe()
    os.close(reader)
    done = subprocess.run(
        [sys.executable, "-c", _RING, str(attended)],
        stdout=writer,
        stderr=subprocess.PIPE,
        timeout=PATIENCE,
        check=False,
    )
    os.close(writer)
    assert (done.returncode, done.stderr) == (7, b"")


def test_many_may_ask_at_once(attended):
    """More than the standby takes at once: the others run by themselves."""
    callers = [
        subprocess.Popen(
            [sys.executable, "-m", "farmwatch", "--config", str(attended), "fleet", "--json"],
            stdout=subprocess.PIPE,
        )
        for _ in range(answering._MOST_AT_ONCE + 2)
    ]
    for caller in callers:
        out, _ = caller.communicate(timeout=PATIENCE)
        assert caller.returncode == 0
        assert len(json.loads(out)["machines"]) == 3


def test_another_farmwatch_a_configuration_out_of_sight_and_rubbish_are_declined(attended, one_standby, tmp_path):
    for stamp, named in (
        ([*this_farmwatch()[:-1], "another"], attended),
        (this_farmwatch(), tmp_path / "none.toml"),
    ):
        with _ring(attended) as line:
            assert _greet(line, named, stamp) == b""
    for rubbish in (b"\n", b"[]\n", b'{"farmwatch": 1}\n', b"\xff\xfe\n", b"{" * 70_000):
        with _ring(attended) as line:
            line.sendall(rubbish)
            # It may hang up before it has heard all of it.
            with suppress(OSError):
                line.shutdown(socket.SHUT_WR)
                assert line.recv(1) == b""
    assert one_standby[1].poll() is None
    _await_greeting(attended)


@pytest.mark.parametrize("command", ["poll", "note", "run", "export"])
def test_it_only_looks(attended, command):
    with _ring(attended) as line:
        assert _greet(line, attended) == GO_ON
        request = {
            "arguments": ["--config", str(attended), command], "called": "farmwatch", "environment": {},
            "encodings": ["utf-8", "utf-8"],
        }  # fmt: skip
        socket.send_fds(line, [json.dumps(request).encode()], [0, 1, 2])
        assert line.recv(1) == b""


def test_one_that_rings_and_says_nothing_keeps_nobody_waiting_long(attended, capfd):
    with _ring(attended), _ring(attended) as greeted:
        # The one says nothing at all, the other greets and then asks for nothing.
        greeted.sendall(json.dumps({"farmwatch": this_farmwatch(), "config": str(attended)}).encode() + b"\n")
        end = time.monotonic() + PATIENCE
        while answered(["--config", str(attended), "fleet"]) != 0:
            assert time.monotonic() < end
        assert "heron-01" in capfd.readouterr().out


class _From:
    """The near end of a line from a user."""

    def __init__(self, user: int) -> None:
        self.user = user

    def getsockopt(self, *_: int) -> bytes:
        return struct.pack("3i", 1, self.user, 1)


def test_only_its_own_user_and_root_may_ask(monkeypatch):
    monkeypatch.setattr(os, "geteuid", lambda: 990)
    assert [answering._may_ask(_From(user)) for user in (990, 0, 991, 65534)] == [True, True, False, False]


def test_it_ends_when_nobody_asks(config, monkeypatch):
    monkeypatch.setattr(answering, "IDLE_SECONDS", 0.2)
    near, far = os.pipe()
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as listener, os.fdopen(near, "rb") as held:
        listener.bind(str(config.parent / "bell"))
        listener.listen(1)
        answering.answer(listener, this_farmwatch(), held)
    os.close(far)
