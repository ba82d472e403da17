"""Jobs of the service in a process of their own: the night's work, the reports, the refresh of the fleet's summary.

An assessment of the whole farm takes memory that comes back only when a process ends, and its work must not slow the
polls. So each job runs in a fresh interpreter (`multiprocessing`, start method "spawn": the service has threads, so it
must not fork). The job goes there pickled, its result comes back through a pipe.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
import time
import traceback
from contextlib import suppress
from dataclasses import dataclass
from datetime import date, datetime
from multiprocessing.connection import Connection, wait
from multiprocessing.context import SpawnProcess
from typing import Any, Literal

from farmwatch.config import Settings
from farmwatch.errors import FarmwatchError
from farmwatch.report import Week

__all__ = ["ASSESSMENT", "FIRST_LOOK", "Job", "JobFailed", "run_job"]

JobKind = Literal["night", "week", "first-look", "refresh"]
ASSESSMENT = "assessment"
"""Name in the last-run record of the counts by condition, as last assessed."""
FIRST_LOOK = "report/first-look"
"""Name in the last-run record of the report of a first start."""

LONGEST_SECONDS = 2 * 3600.0
NICE = 10
_CHECK_SECONDS = 0.2
_ENDING_SECONDS = 3.0
_LONGEST_TRACE = 1500
_Result = tuple[Literal["done", "fault", "bug"], Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """What to do, for which farm, as of when (aware)."""

    kind: JobKind
    settings: Settings
    at: datetime
    week: Week | None = None
    """Of a report."""
    night: date | None = None
    """Of a night's work."""


class JobFailed(FarmwatchError):
    """A job was not done; the message says why."""


def run_job(job: Job, stop: threading.Event) -> dict[str, Any] | None:
    """The job's result (see `jobs.do`); None where `stop` was set meanwhile. Raises JobFailed."""
    # The new interpreter must not find its modules in the folder from which the service was started.
    os.environ.setdefault("PYTHONSAFEPATH", "1")
    context = multiprocessing.get_context("spawn")
    receiving, sending = context.Pipe(duplex=False)
    process = context.Process(target=_work, args=(sending, job), name=f"farmwatch-{job.kind}", daemon=True)
    with receiving:
        try:
            with sending:
                process.start()
        except OSError as fault:
            raise JobFailed(f"its process could not be started: {fault.strerror or fault}") from None
        try:
            return _result(process, receiving, stop)
        finally:
            _end(process)


def _result(process: SpawnProcess, receiving: Connection, stop: threading.Event) -> dict[str, Any] | None:
    end = time.monotonic() + LONGEST_SECONDS
    while not wait([receiving], _CHECK_SECONDS):
        if stop.is_set():
            process.terminate()
            return None
        if time.monotonic() > end:
            process.terminate()
            raise JobFailed(f"it was not done within {LONGEST_SECONDS / 3600:g} hours and was ended")
    try:
        result: _Result = receiving.recv()
    except EOFError:
        # Nobody holds the other end any more: the process was killed, or its interpreter did not start.
        process.join(_ENDING_SECONDS)
        code = process.exitcode or 0
        how = f"was ended by signal {-code}" if code < 0 else f"ended with {code}"
        raise JobFailed(f"its process {how}: it said nothing") from None
    kind, value = result
    if kind == "fault":
        raise JobFailed(str(value))
    if kind == "bug":
        raise JobFailed(f"its process ended with 1: {value}")
    done: dict[str, Any] = value
    return done


def _end(process: SpawnProcess) -> None:
    """Wait for a process that has said what it had to say, or was told to end; kill one that does not."""
    process.join(_ENDING_SECONDS)
    if process.is_alive():
        process.kill()
        process.join()
    process.close()


def _work(sending: Connection, job: Job) -> None:
    """In the new process: do the job and say what came of it."""
    # Ctrl-C on a terminal reaches both processes; the service ends this one.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    os.nice(NICE)
    # Heavy: the service itself never loads it.
    from farmwatch.service.jobs import do
    from farmwatch.store import Store

    result: _Result
    try:
        result = ("done", do(job, Store(job.settings.farm.database)))
    except FarmwatchError as fault:
        result = ("fault", str(fault))
    except Exception:
        # A bug of ours is said by the service, whose log the process of a job has not.
        result = ("bug", traceback.format_exc().strip()[-_LONGEST_TRACE:])
    with suppress(BrokenPipeError):
        sending.send(result)
