"""Errands in processes of their own: what comes back, what fails, what is cut at the end."""

import pickle
import threading
import time
from datetime import timedelta
from pathlib import Path

import pytest

from farmwatch.config import Machine
from farmwatch.report import Week
from farmwatch.service.worker import Job, JobFailed, run_job
from farmwatch.store import Store
from tests.service.farm import NOW, names, settings_in

MONDAY = NOW + timedelta(minutes=30)


def test_an_errand_larger_than_a_pipe_comes_through(tmp_path: Path) -> None:
    """Settings that are more than twice the 64 KiB that a pipe holds."""
    host = f"http://10.20.1.11/{'a-long-path/' * 40}"
    machines = [Machine(name=name, model="tideframe-220", mapping="survey", address=host + name) for name in names(300)]
    settings = settings_in(tmp_path, None, ()).model_copy(update={"machines": tuple(machines)})
    job = Job(kind="first-look", settings=settings, at=MONDAY, week=Week(2026, 48))
    assert len(pickle.dumps(job)) > 2 * 64 * 1024
    said = run_job(job, threading.Event())
    assert said is not None
    assert said["week"] == "2026-W48"
    assert Path(str(said["report"])).is_file()


def test_a_fault_comes_back_in_words(tmp_path: Path) -> None:
    settings = settings_in(tmp_path, None, names(1))
    gone = settings.farm.model_copy(update={"database": tmp_path / "no" / "farm.duckdb"})
    with pytest.raises(JobFailed, match="its folder does not exist"):
        run_job(Job(kind="refresh", settings=settings.model_copy(update={"farm": gone}), at=MONDAY), threading.Event())


def test_a_bug_comes_back_with_where_it_is(tmp_path: Path) -> None:
    settings = settings_in(tmp_path, None, names(1)).model_copy(update={"models": {}})
    Store(settings.farm.database).check()
    with pytest.raises(JobFailed, match=r"(?s)its process ended with 1: .*KeyError"):
        run_job(Job(kind="refresh", settings=settings, at=MONDAY), threading.Event())


def test_the_end_of_the_service_ends_an_errand(tmp_path: Path) -> None:
    settings = settings_in(tmp_path, None, names(3))
    stop = threading.Event()
    stop.set()
    begin = time.monotonic()
    assert run_job(Job(kind="night", settings=settings, at=MONDAY), stop) is None
    assert time.monotonic() - begin < 10
