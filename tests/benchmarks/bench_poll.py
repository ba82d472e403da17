"""What a poll costs: its CPU against a bare loop over the same hosts, and how long 2,000 hosts take, some of them deaf.

Run: python tests/benchmarks/bench_poll.py [--hosts 2000] [--at-once 64] [--rounds 3]

The hosts are loopback addresses (127.1.x.y) behind one port, served by a child process, so that their CPU is counted
nowhere. Every answer is a new mesh: 7 x 7 heights in about 6 kB of JSON.

1. CPU. The peer is the loop that anybody would write first: one requests session with a pool as large as the farm,
   `trust_env` off, `json.loads`, one host after the other. The poll fetches, parses, checks, recognises and stores.
   Both go over the same hosts in the same run, by turns; CPU is user and system time of this process and its threads.
2. Wall time of one poll with 20 ms latency where 5 % of the hosts never answer until a deadline of 2 s.
3. Judging, which is no part of a poll, is printed apart.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import multiprocessing
import resource
import statistics
import tempfile
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from functools import partial
from multiprocessing.connection import Connection
from pathlib import Path
from zoneinfo import ZoneInfo

import requests
from requests.adapters import HTTPAdapter

from farmwatch.collect import Fetcher, fetcher_for, poll_once
from farmwatch.config import Farm, Machine, Mapping, Poll, Settings
from farmwatch.model import Model, Screw
from farmwatch.store import Store

__all__ = ["main"]

SIDE = 7
START = datetime(2026, 11, 23, 6, 0, tzinfo=UTC)


def main(arguments: list[str] | None = None) -> None:
    """Run all of it and print the figures."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--hosts", type=int, default=2000)
    parser.add_argument("--cpu-hosts", type=int, default=500)
    parser.add_argument("--at-once", type=int, default=64)
    parser.add_argument("--rounds", type=int, default=5)
    given = parser.parse_args(arguments)
    compare_cpu(given.cpu_hosts, given.at_once, given.rounds)
    measure_wall(given.hosts, given.at_once)


def compare_cpu(hosts: int, at_once: int, rounds: int) -> float:
    """Ratio of the poll's CPU to the bare loop's; medians over `rounds` turns, the first of all not counted."""
    with farm(hosts, at_once=at_once, latency=0.0, deaf_share=0.0, deadline=10.0) as (settings, _):
        store = Store(settings.farm.database)
        session = pooled_session(hosts)
        urls = [f"{machine.address}/v1/survey" for machine in settings.machines]
        peer, ours = [], []
        with fetcher_for(settings) as fetcher:
            for turn in range(rounds + 1):
                peer.append(cpu_of(lambda: bare_loop(session, urls)))
                ours.append(cpu_of(lambda turn=turn: one_poll(settings, store, fetcher, turn, hosts)))
        session.close()
        judging = judge(settings, store)
    bare, poll = (statistics.median(times[1:]) / hosts * 1000 for times in (peer, ours))
    print(f"CPU per machine, {hosts} hosts, {rounds} turns, kept connections, every mesh new and stored")
    print(f"  bare loop (requests, json.loads)   {bare:.3f} ms   first turn {peer[0] / hosts * 1000:.3f} ms")
    print(f"  poll, {at_once} at once                  {poll:.3f} ms   first turn {ours[0] / hosts * 1000:.3f} ms")
    print(f"  ratio                              {poll / bare:.2f}       first turn {ours[0] / peer[0]:.2f}")
    print(judging)
    return poll / bare


def measure_wall(hosts: int, at_once: int, latency: float = 0.020, deaf: float = 0.05, deadline: float = 2.0) -> float:
    """Wall seconds of the first poll (no connection open yet) and of the next, beside the bare loop in threads."""
    with farm(hosts, at_once=at_once, latency=latency, deaf_share=deaf, deadline=deadline) as (settings, _):
        store = Store(settings.farm.database)
        with fetcher_for(settings) as fetcher:
            walls = []
            for turn in range(2):
                start = time.perf_counter()
                outcomes = poll_once(settings, store, START + timedelta(hours=turn), fetcher=fetcher).records
                walls.append(time.perf_counter() - start)
        session = pooled_session(hosts)
        urls = [f"{machine.address}/v1/survey" for machine in settings.machines]
        start = time.perf_counter()
        with ThreadPoolExecutor(at_once) as pool:
            list(pool.map(partial(bare_get, session, deadline), urls))
        peer = time.perf_counter() - start
        session.close()
        new = sum(record.outcome == "new" for record in outcomes)
        late = sum(record.outcome == "timed-out" for record in outcomes)
    print(f"Wall, {hosts} hosts, {latency * 1000:g} ms, {deaf:.0%} deaf to {deadline:g} s, {at_once} at once")
    floor = hosts * ((1 - deaf) * latency + deaf * deadline) / at_once
    print(f"  first poll {walls[0]:.2f} s, next {walls[1]:.2f} s ({new} new, {late} timed-out)")
    print(f"  bare requests and json.loads in as many threads {peer:.2f} s; waiting alone {floor:.2f} s")
    return max(walls)


def bare_loop(session: requests.Session, urls: list[str]) -> None:
    """The peer."""
    for url in urls:
        json.loads(session.get(url, timeout=10).text)


def bare_get(session: requests.Session, deadline: float, url: str) -> None:
    """The peer, one host of many side by side."""
    try:
        json.loads(session.get(url, timeout=deadline).text)
    except requests.RequestException:
        return


def one_poll(settings: Settings, store: Store, fetcher: Fetcher, turn: int, hosts: int) -> None:
    """Ours; every answer must be a new mesh, else it would be compared with less work."""
    found = poll_once(settings, store, START + timedelta(hours=turn), fetcher=fetcher)
    if found.new_readings != hosts:
        raise SystemExit(f"only {found.new_readings} of {hosts} meshes were new: {found.records[:3]}")


def judge(settings: Settings, store: Store) -> str:
    """A line on what judging the whole farm costs, once."""
    try:
        from farmwatch.assess import assess
    except ImportError:
        return "  judging is not there yet"
    spent = cpu_of(lambda: assess(settings, store, START + timedelta(days=1)))
    return f"  judging apart: {spent / len(settings.machines) * 1000:.3f} ms per machine"


def cpu_of(work) -> float:  # type: ignore[no-untyped-def]
    """User and system seconds that `work` costs this process."""
    before = resource.getrusage(resource.RUSAGE_SELF)
    work()
    after = resource.getrusage(resource.RUSAGE_SELF)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def pooled_session(hosts: int) -> requests.Session:
    """A session whose pool is as large as the farm."""
    session = requests.Session()
    session.trust_env = False
    session.mount("http://", HTTPAdapter(pool_connections=hosts, pool_maxsize=1))
    return session


@contextmanager
def farm(
    hosts: int, *, at_once: int, latency: float, deaf_share: float, deadline: float
) -> Iterator[tuple[Settings, int]]:
    """Settings of a farm whose hosts run in a child process meanwhile."""
    ours, theirs = multiprocessing.Pipe()
    child = multiprocessing.get_context("spawn").Process(target=_serve, args=(theirs, latency, deaf_share), daemon=True)
    child.start()
    port = ours.recv()
    with tempfile.TemporaryDirectory() as folder:
        try:
            yield _settings(Path(folder), hosts, port, at_once, deadline), port
        finally:
            child.terminate()
            child.join()


def _settings(folder: Path, hosts: int, port: int, at_once: int, deadline: float) -> Settings:
    mapping = Mapping(
        name="survey",
        path="/v1/survey",
        heights="$.survey.grid",
        x="$.survey.x",
        y=(10.0, 210.0),
        bed_celsius="$.bed.celsius",
    )
    screws = (
        Screw(name="front-left", x_mm=20, y_mm=10),
        Screw(name="front-right", x_mm=200, y_mm=10),
        Screw(name="rear", x_mm=110, y_mm=215, reference=True),
    )
    return Settings(
        farm=Farm(
            name="Saltmarsh Tidegate Works",
            timezone=ZoneInfo("Europe/Dublin"),
            database=folder / "farmwatch.duckdb",
            reports=folder,
        ),
        poll=Poll(at_once=at_once, deadline_seconds=deadline),
        models={"tideframe-220": Model(name="tideframe-220", screws=screws)},
        mappings={"survey": mapping},
        machines=tuple(
            Machine(
                name=f"heron-{i:05}",
                model="tideframe-220",
                mapping="survey",
                address=f"http://127.1.{i // 250}.{i % 250 + 1}:{port}",
            )
            for i in range(hosts)
        ),
    )


class _Host(asyncio.Protocol):
    """Answers every request on a kept connection after `latency`; one host in so many never does."""

    latency = 0.0
    deaf_share = 0.0
    answered = 0

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self.transport = transport
        self.waiting = b""
        _, _, third, fourth = transport.get_extra_info("sockname")[0].split(".")
        number = int(third) * 250 + int(fourth) - 1
        self.deaf = self.deaf_share > 0 and number % round(1 / self.deaf_share) == 0

    def data_received(self, data: bytes) -> None:
        self.waiting += data
        while b"\r\n\r\n" in self.waiting:
            _, self.waiting = self.waiting.split(b"\r\n\r\n", 1)
            if not self.deaf:
                asyncio.get_running_loop().call_later(self.latency, self.answer)

    def answer(self) -> None:
        _Host.answered += 1
        if not self.transport.is_closing():
            self.transport.write(_answer(_Host.answered))  # type: ignore[attr-defined]


def _answer(number: int) -> bytes:
    grid = [[round(0.0137 * r - 0.0171 * c + number * 1e-7, 7) for c in range(SIDE)] for r in range(SIDE)]
    x = [10 + 200 / (SIDE - 1) * c for c in range(SIDE)]
    fans = [{"name": f"fan {i}", "speed": 40 + i, "duty": 0.25, "history": [i / 7] * 10} for i in range(16)]
    body = json.dumps({"survey": {"grid": grid, "x": x}, "bed": {"celsius": 60.1}, "fans": fans}).encode()
    head = f"HTTP/1.1 200 OK\r\nContent-Type: application/json\r\nContent-Length: {len(body)}\r\nServer: host\r\n"
    return head.encode() + b"Date: Mon, 23 Nov 2026 06:00:00 GMT\r\nCache-Control: no-store\r\n\r\n" + body


def _serve(parent: Connection, latency: float, deaf_share: float) -> None:
    _Host.latency, _Host.deaf_share = latency, deaf_share
    _, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (hard, hard))

    async def run() -> None:
        server = await asyncio.get_running_loop().create_server(_Host, "0.0.0.0", 0, backlog=4096)
        parent.send(server.sockets[0].getsockname()[1])
        await server.serve_forever()

    asyncio.run(run())


if __name__ == "__main__":
    main()
