"""On a scheduler's workers: the same bytes, workers killed or of another version, a scheduler that goes."""

from __future__ import annotations

import os
import signal

import pytest

from farmwatch.company import Engine, engines
from tests.company.cluster import cluster
from tests.company.test_company import written

pytest.importorskip("distributed")
pytestmark = [pytest.mark.long, pytest.mark.filterwarnings("default"), pytest.mark.timeout(300)]


@pytest.fixture(scope="module")
def here(three, tmp_path_factory):
    return written(three[1], tmp_path_factory.mktemp("here"), engine=Engine(jobs=1))[1]


def test_the_same_bytes_from_two_workers_and_after_one_is_killed(three, here, tmp_path, monkeypatch):
    monkeypatch.setattr("farmwatch.company.write.MACHINES_A_TASK", 2)
    said: list[str] = []
    with cluster(tmp_path, 2, nanny=False) as found:
        engine = Engine(address=found.address)
        _, files = written(three[1], tmp_path / "two", engine=engine, say=said.append)
        assert files == here

        def kill(done: int, total: int) -> None:
            if done == 1:
                os.kill(found.workers[0].pid, signal.SIGKILL)

        _, files = written(three[1], tmp_path / "killed", engine=engine, say=said.append, progress=kill)
        assert found.workers[0].wait(10) == -signal.SIGKILL
        assert files == here
    assert said == []


def test_workers_of_another_version_are_passed_over_and_a_scheduler_without_any_is_said(
    three, here, tmp_path, monkeypatch
):
    said: list[str] = []
    with cluster(tmp_path, 1) as found:
        monkeypatch.setattr(engines, "__version__", "0.0.1")
        _, files = written(three[1], tmp_path / "out", engine=Engine(jobs=1, address=found.address), say=said.append)
    assert files == here
    assert "1 of 1 workers are passed over" in said[0]
    assert "can do it: the work is done on this computer" in said[1]


def test_a_scheduler_that_goes_midway_leaves_the_rest_to_this_computer(three, here, tmp_path, monkeypatch):
    monkeypatch.setattr("farmwatch.company.write.MACHINES_A_TASK", 1)
    said: list[str] = []
    with cluster(tmp_path, 1, nanny=False) as found:

        def end(done: int, total: int) -> None:
            if done == 1:
                os.kill(found.scheduler.pid, signal.SIGKILL)
                os.kill(found.workers[0].pid, signal.SIGKILL)

        _, files = written(
            three[1], tmp_path / "out", engine=Engine(jobs=1, address=found.address), say=said.append, progress=end
        )
    assert files == here
    assert any("on this computer" in word for word in said)
