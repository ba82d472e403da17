"""A scheduler of dask.distributed and its workers, each a process of its own on loopback."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

__all__ = ["Cluster", "cluster"]


@dataclass
class Cluster:
    """Where the scheduler is, and the processes."""

    address: str
    folder: Path
    scheduler: subprocess.Popen[bytes]
    workers: list[subprocess.Popen[bytes]] = field(default_factory=list)
    preload: Path | None = None
    """A script that each worker runs first."""

    def add_worker(self, *, nanny: bool = True) -> subprocess.Popen[bytes]:
        """Start one more worker with one thread."""
        arguments = ["-m", "distributed.cli.dask_worker", self.address, "--nthreads", "1", "--no-dashboard"]
        arguments += ["--nanny" if nanny else "--no-nanny", "--local-directory", str(self.folder)]
        arguments += ["--preload", str(self.preload)] if self.preload else []
        worker = _started(arguments, self.folder / f"worker-{len(self.workers)}.log")
        self.workers.append(worker)
        return worker


@contextmanager
def cluster(folder: Path, workers: int, *, nanny: bool = True, preload: Path | None = None) -> Iterator[Cluster]:
    """A cluster that listens and has so many workers; it ends with the block."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    arguments = ["-m", "distributed.cli.dask_scheduler", "--host", "127.0.0.1", "--port", str(port), "--no-dashboard"]
    found = Cluster(f"tcp://127.0.0.1:{port}", folder, _started(arguments, folder / "scheduler.log"), preload=preload)
    try:
        for _ in range(workers):
            found.add_worker(nanny=nanny)
        _wait(found, workers)
        yield found
    finally:
        for process in (*found.workers, found.scheduler):
            process.terminate()
        for process in (*found.workers, found.scheduler):
            try:
                process.wait(10)
            except subprocess.TimeoutExpired:
                process.kill()


def _wait(found: Cluster, workers: int) -> None:
    from distributed import Client

    with Client(found.address, timeout="60s", set_as_default=False) as client:
        client.wait_for_workers(workers, timeout=90)
        end = time.monotonic() + 30
        while len(client.scheduler_info(n_workers=-1)["workers"]) < workers and time.monotonic() < end:
            time.sleep(0.1)


def _started(arguments: list[str], log: Path) -> subprocess.Popen[bytes]:
    top = str(Path(__file__).parents[2])
    environment = {**os.environ, "PYTHONPATH": top, "PYTHONWARNINGS": "ignore"}
    with log.open("wb") as out:
        return subprocess.Popen(
            [sys.executable, *arguments], stdout=out, stderr=subprocess.STDOUT, env=environment, cwd=top
        )
