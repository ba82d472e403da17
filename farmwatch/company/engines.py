"""Where tasks run: on this computer's cores, or on the workers of a dask.distributed scheduler.

Either way every task ends in a result or in a sentence that says why not, in the order of the tasks: the report is the
same wherever its tasks ran. A worker that is lost costs the time of its task.
"""

from __future__ import annotations

import multiprocessing
import os
import platform
from collections.abc import Callable, Iterator, Sequence
from concurrent import futures as local
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, field
from typing import Any

from farmwatch import __version__
from farmwatch.company.place import EXTRA
from farmwatch.company.tasks import Task, TaskResult, run_task
from farmwatch.errors import FarmwatchError, InputError

__all__ = ["Done", "Skipped", "cores", "run_tasks"]

_REACHED_WITHIN = "10s"
_RETRIES = 3
_KILLED = "the process that assessed them was killed more than once (out of memory?): they are left out"

Say = Callable[[str], None]
Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class Skipped:
    """A task that came to nothing, and why."""

    why: str


Done = TaskResult | Skipped


@dataclass(slots=True)
class _Run:
    """The tasks of one report, and what has come of them so far."""

    tasks: Sequence[Task]
    progress: Progress | None
    done: dict[int, Done] = field(default_factory=dict)

    @property
    def left(self) -> list[int]:
        return [i for i in range(len(self.tasks)) if i not in self.done]

    def end(self, i: int, done: Done) -> None:
        self.done[i] = done
        if self.progress:
            self.progress(len(self.done), len(self.tasks))


def cores() -> int:
    """How many processes work by default: one for each core that this one may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def run_tasks(
    tasks: Sequence[Task], *, jobs: int, engine: str | None = None, say: Say, progress: Progress | None = None
) -> list[Done]:
    """Run tasks and return what came of each, in their order.

    jobs: processes on this computer. engine: the address of a scheduler, tcp://host:port; what cannot be done there is
    done here, and `say` is told why. Raises InputError for an address that is none, or where the extra is missing.
    """
    run = _Run(tasks, progress)
    if engine is not None:
        _on_scheduler(run, engine, say)
    if run.left:
        _here(run, jobs)
    return [run.done[i] for i in range(len(tasks))]


def _here(run: _Run, jobs: int) -> None:
    if jobs <= 1 or len(run.left) == 1:
        for i in run.left:
            run.end(i, _tried(run.tasks[i]))
        return
    # A process that is killed takes its pool along: what is left is tried once more together, then each alone.
    for together in (True, True, False):
        groups = [run.left] if together else [[i] for i in run.left]
        for group in groups:
            if group:
                _in_pool(run, group, jobs)
    for i in run.left:
        run.end(i, Skipped(_KILLED))


def _in_pool(run: _Run, group: Sequence[int], jobs: int) -> None:
    # Forked: the workers have everything loaded, and nothing here has started a thread yet.
    fork = "fork" if "fork" in multiprocessing.get_all_start_methods() else None
    with local.ProcessPoolExecutor(min(jobs, len(group)), mp_context=multiprocessing.get_context(fork)) as pool:
        futures = {pool.submit(_tried, run.tasks[i]): i for i in group}
        try:
            for future in local.as_completed(futures):
                run.end(futures[future], future.result())
        except BrokenProcessPool:
            return


def _tried(task: Task) -> Done:
    """A task's result, or why there is none."""
    try:
        return run_task(task)
    except FarmwatchError as fault:
        return Skipped(f"they are left out: {fault}")


def _on_scheduler(run: _Run, address: str, say: Say) -> None:
    if "://" not in address:
        raise InputError(f"--engine {address}: wanted the address of a scheduler such as tcp://10.20.0.5:8786")
    try:
        import distributed
    except ImportError:
        raise InputError(f"--engine wants dask.distributed: {EXTRA}") from None
    try:
        client = _untyped(distributed.Client)(address, timeout=_REACHED_WITHIN, set_as_default=False)
    except (OSError, ValueError, TimeoutError) as fault:
        say(f"the scheduler {address} cannot be reached ({_short(fault)}): the work is done on this computer")
        return
    try:
        with client:
            able = _able(client, say)
            if not able:
                say(f"no worker of {address} can do it: the work is done on this computer")
                return
            for i, done in _gathered(client, run, able):
                run.end(i, done)
        if run.left:
            say(f"the scheduler {address} was lost: what is left is done on this computer")
    except (OSError, TimeoutError, RuntimeError) as fault:
        say(f"the scheduler {address} was lost ({_short(fault)}): what is left is done on this computer")


def _able(client: Any, say: Say) -> list[str]:
    """The workers that run this farmwatch on this Python, and a word on each kind that does not."""
    own = _versions()
    found = client.run(_versions, on_error="return")
    others: dict[str, list[str]] = {}
    for worker, told in found.items():
        if told != own:
            kind = f"farmwatch {told[0]}, Python {told[1]}" if isinstance(told, tuple) else _short(told)
            others.setdefault(kind, []).append(worker)
    for kind, workers in sorted(others.items()):
        say(
            f"{len(workers)} of {len(found)} workers are passed over: they have {kind}; "
            f"here are farmwatch {own[0]}, Python {own[1]}"
        )
    return sorted(worker for worker, told in found.items() if told == own)


def _versions() -> tuple[str, str]:
    return __version__, ".".join(platform.python_version_tuple()[:2])


def _gathered(client: Any, run: _Run, workers: Sequence[str]) -> Iterator[tuple[int, Done]]:
    from distributed import KilledWorker, as_completed

    # Where all are able, the scheduler may use those that come later, too.
    only = {} if len(workers) == len(client.scheduler_info(n_workers=-1)["workers"]) else {"workers": list(workers)}
    futures = {client.submit(_tried, run.tasks[i], pure=False, retries=_RETRIES, **only): i for i in run.left}
    for future in _untyped(as_completed)(futures, loop=client.loop):
        i = futures[future]
        if future.status == "finished":
            yield i, future.result()
        elif future.status == "error":
            fault = future.exception()
            yield i, Skipped(_KILLED if isinstance(fault, KilledWorker) else f"they are left out: {_short(fault)}")
        # What is done need not stay on a worker.
        future.release()


def _untyped(what: Any) -> Any:
    """What a library gives no types for."""
    return what


def _short(fault: object) -> str:
    words = " ".join(str(fault).split())[:160]
    return words or type(fault).__name__
