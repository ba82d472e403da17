"""The service as a process: `farmwatch run` on hosts of the test's own, signals, a second one, kill -9."""

from __future__ import annotations

import json
import os
import re
import signal
import socket
import subprocess
import sys
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO

import pytest

from farmwatch.config import load_settings
from farmwatch.store import Store
from tests.collect.hosts import serving
from tests.service.farm import Beds, beds, names, write_config
from tests.service.openmetrics import read

PATIENCE = 60.0


class Running:
    """A `farmwatch run`, its log as it comes, and its address."""

    def __init__(self, config: Path, *, program: tuple[str, ...] = ("-m", "farmwatch"), **environment: str) -> None:
        command = [sys.executable, *program, "--config", str(config), "run"]
        self.process = subprocess.Popen(
            command, stderr=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env={**os.environ, **environment}
        )
        assert self.process.stderr is not None
        self.lines: list[str] = []
        self._reader = threading.Thread(target=self._read, args=(self.process.stderr,), daemon=True)
        self._reader.start()

    def _read(self, stream: IO[str]) -> None:
        for line in stream:
            self.lines.append(line)

    def wait_for(self, *words: str, count: int = 1) -> str:
        """The newest line with all the words, once so many have come."""
        end = time.monotonic() + PATIENCE
        while True:
            found = [line for line in list(self.lines) if all(word in line for word in words)]
            if len(found) >= count:
                return found[-1]
            assert time.monotonic() < end, f"no {words} in:\n{''.join(self.lines[-30:])}"
            assert self.process.poll() is None or self._reader.is_alive(), "".join(self.lines[-30:])
            time.sleep(0.02)

    def url(self, path: str) -> str:
        found = re.search(r"listen=(\S+)", self.wait_for("event=started"))
        assert found
        return f"http://{found[1]}{path}"

    def ask(self, path: str) -> tuple[int, str, str]:
        try:
            with urllib.request.urlopen(self.url(path), timeout=5) as answer:
                return answer.status, answer.headers["Content-Type"], answer.read().decode()
        except urllib.error.HTTPError as fault:
            with fault:
                return fault.code, fault.headers["Content-Type"], fault.read().decode()

    def end(self, how: int = signal.SIGTERM) -> tuple[int, float]:
        """Exit code, and the seconds that it took."""
        begin = time.monotonic()
        self.process.send_signal(how)
        code = self.process.wait(PATIENCE)
        self._reader.join(5)
        return code, time.monotonic() - begin


@contextmanager
def running(config: Path, **environment: str) -> Iterator[Running]:
    service = Running(config, **environment)
    try:
        yield service
    finally:
        if service.process.poll() is None:
            service.process.kill()
            service.process.wait()
        for stream in (service.process.stdout, service.process.stderr):
            assert stream is not None
            stream.close()


def store_of(config: Path) -> Store:
    return Store(load_settings(config).farm.database)


@pytest.mark.long
def test_a_day_in_the_life(tmp_path: Path) -> None:
    """Start, first look, health, figures, a second one refused, a new configuration, a broken one, the end."""
    with beds(names(3)) as (host, given):
        config = write_config(tmp_path, host.address, names(3))
        address = str(tmp_path / "notify")
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as systemd:
            systemd.bind(address)
            said: list[bytes] = []
            threading.Thread(target=_listen, args=(systemd, said), daemon=True).start()
            with running(config, NOTIFY_SOCKET=address, WATCHDOG_USEC="60000000") as service:
                service.wait_for("event=poll", "outcome=new", count=3)
                assert said[0].startswith(b"READY=1\n")
                _refuse_a_second(config, service)
                looked = service.wait_for("event=first-look")
                assert "next=" in looked
                report = re.search(r"report=(\S+)", looked)
                assert report
                assert Path(report[1]).read_text().lower().startswith("<!doctype html>")
                service.wait_for("event=night")
                status, kind, body = service.ask("/health")
                assert (status, kind, json.loads(body)["well"]) == (200, "application/json", True)
                _, kind, body = service.ask("/metrics")
                assert kind == "application/openmetrics-text; version=1.0.0; charset=utf-8"
                figures = read(body)
                assert sum(figures["farmwatch_polls"].samples.values()) >= 3
                assert sum(figures["farmwatch_machines"].samples.values()) == 3
                _reload(config, service)
                code, seconds = service.end()
            systemd.shutdown(socket.SHUT_RDWR)
        assert (code, "".join(service.lines[-3:])) == (0, "".join(service.lines[-3:]))
        assert seconds < 10
        assert b"WATCHDOG=1" in said
        assert any(line.startswith(b"RELOADING=1\nMONOTONIC_USEC=") for line in said)
        assert said[-1].startswith(b"STOPPING=1")
        assert store_of(config).reading_count() == sum(given.given.values())


def _refuse_a_second(config: Path, service: Running) -> None:
    command = [sys.executable, "-m", "farmwatch", "--config", str(config), "run"]
    second = subprocess.run(command, capture_output=True, text=True, timeout=PATIENCE, check=False)
    assert second.returncode == 2
    assert f"process {service.process.pid} since 20" in second.stderr
    assert len(second.stderr.splitlines()) == 1


def _reload(config: Path, service: Running) -> None:
    whole = config.read_text()
    config.write_text(whole.replace("every_minutes = 0.05", "every_minutes = -1"))
    service.process.send_signal(signal.SIGHUP)
    assert "every_minutes" in service.wait_for("event=configuration-refused", "level=error")
    status, kind, body = service.ask("/health")
    assert (status, kind) == (503, "application/problem+json")
    assert [reason["what"] for reason in json.loads(body)["reasons"]] == ["configuration"]
    polls = len([line for line in service.lines if "event=poll " in line])
    service.wait_for("event=poll", count=polls + 3)  # by the old one
    config.write_text(whole)
    service.process.send_signal(signal.SIGHUP)
    service.wait_for("event=configuration-read")
    assert service.ask("/health")[0] == 200


def _listen(systemd: socket.socket, said: list[bytes]) -> None:
    while found := systemd.recv(1000):
        said.append(found)


def test_the_end_comes_soon_and_keeps_what_was_read(tmp_path: Path) -> None:
    """INT while a host hangs and others have answered: what they said is stored."""
    given = Beds(names(3))
    scripts = dict(given.scripts)
    asked = threading.Event()

    def hang(handler: object) -> None:
        asked.set()
        time.sleep(1.0)
        getattr(handler, "server").ended.wait(20)  # noqa: B009 (the handler's type says nothing of its server's own)

    scripts["/heron-03"] = hang
    with serving(scripts) as host, serving({"/heron-03": hang}) as slow:
        config = write_config(tmp_path, host.address, names(3))
        text = config.read_text().replace("deadline_seconds = 2", "deadline_seconds = 60")
        head, _, tail = text.rpartition(host.address)
        config.write_text(head + slow.address + tail)
        with running(config) as service:
            service.wait_for("event=poll", "machine=heron-02")
            assert asked.wait(PATIENCE)
            code, seconds = service.end(signal.SIGINT)
        assert code == 0
        assert seconds < 10
    assert store_of(config).reading_count() == given.given["heron-01"] + given.given["heron-02"]


@pytest.mark.long
def test_kill_9_at_random_moments_during_polls(tmp_path: Path) -> None:
    """Ten times; 200 are the long form, in bench_endurance. Nothing committed is lost, doubled or torn."""
    with beds(names(6)) as (host, _):
        store = Store(tmp_path / "farmwatch.duckdb")
        rounds = kill_nine(store.path, host.address, machines=6, times=10, seed=4)
        assert rounds >= 10
        # A round that was finished is committed; the pending file holds nothing that the next opening would not find.
        check_whole(store, at_least=6 * rounds)


def kill_nine(database: Path, address: str, *, machines: int, times: int, seed: int) -> int:
    """Rounds of polls that were finished before a kill."""
    given = [str(value) for value in (database, address, machines, times, seed)]
    done = subprocess.run(
        [sys.executable, "-m", "tests.service.kill_nine", *given],
        capture_output=True, text=True, timeout=PATIENCE * max(1, times // 10), check=False,
        cwd=Path(__file__).parents[2],
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return int(done.stdout)


def check_whole(store: Store, at_least: int) -> int:
    """Every mesh says by its first height which it is: none twice, none torn, none of those before gone."""
    seen = []
    for name, history in store.histories().items():
        for stack in history.stacks:
            for mesh in stack.z:
                assert mesh.shape == (5, 5)
                assert not mesh.ravel()[1:].any()
                seen.append((name, round(float(mesh[0, 0]) * 1e5)))
    assert len(seen) == len(set(seen)) >= at_least
    return len(seen)


def test_a_newer_database_is_refused_with_the_version_that_is_needed(tmp_path: Path) -> None:
    config = write_config(tmp_path, "http://127.0.0.1:9", names(1))
    store = store_of(config)
    with store.database.writing() as con:
        con.execute("INSERT INTO schema_changes VALUES (999, 'later', current_timestamp, '9.9.0')")
    command = [sys.executable, "-m", "farmwatch", "--config", str(config), "run"]
    found = subprocess.run(command, capture_output=True, text=True, timeout=PATIENCE, check=False)
    assert found.returncode == 2
    assert "Install farmwatch 9.9.0 or later" in found.stderr
