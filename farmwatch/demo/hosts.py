"""The simulated hosts: one loopback port for each machine, all served by one thread, telling the time they are told.

A host answers GET over HTTP/1.1 with keep-alive, in the phrasing of its machine's mapping, as of the moved clock. One
that is silent at that time does not listen, so that a poll is refused by the network as by a host without power.
"""

from __future__ import annotations

import asyncio
import socket
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from types import TracebackType
from typing import Self
from urllib.parse import quote

from farmwatch.demo.answers import HOST_KEY, HOST_KEY_HEADER, PHRASINGS, Said
from farmwatch.demo.beds import DAY, BedSeries
from farmwatch.demo.truth import MachineTruth
from farmwatch.errors import FarmwatchError

__all__ = ["SimulatedHosts"]

_Phrase = Callable[[Said], tuple[str, bytes]]

LOOPBACK = "127.0.0.1"
# Below the ports that systems hand out by themselves; the same run then gets the same addresses where they are free.
FIRST_PORT, PORT_BLOCK, PORT_END = 21_600, 128, 32_768
# A listening socket and both ends of a connection.
FILES_A_HOST, OTHER_FILES = 3, 200
LARGEST_REQUEST = 16_384
STARTING_SECONDS = 10.0

_RUBBISH = (
    (
        "text/html",
        b"<!doctype html><title>One moment</title><p>The gateway is being renewed. Please look in later.</p>",
    ),
    ("application/json", b'{"levels":{"by_column":[[0.0011,0.00'),
    ("application/json", b'{"levels":{"by_column":[["--","--"],["--","--"]]}}'),
)


@dataclass(slots=True, eq=False)
class _Host:
    machine: MachineTruth
    series: BedSeries
    port: int
    listening: socket.socket | None
    server: asyncio.Server | None = None
    connections: set[asyncio.Transport] = field(default_factory=set)
    last_answer: dict[tuple[str, int], bytes] = field(default_factory=dict)


class SimulatedHosts:
    """All hosts of the farm while the context lasts. `addresses` maps machine names to `http://127.0.0.1:port`."""

    def __init__(
        self, farm: tuple[MachineTruth, ...], beds: Mapping[str, BedSeries], start: datetime, end: datetime
    ) -> None:
        self._end = end.timestamp()
        self._now = start.timestamp()
        self._farm, self._beds = farm, beds
        self._hosts: list[_Host] = []
        self._loop: asyncio.AbstractEventLoop | None = None
        self._thread: threading.Thread | None = None
        self.addresses: dict[str, str] = {}
        self.answered = 0

    def __enter__(self) -> Self:
        _allow_files(FILES_A_HOST * len(self._farm) + OTHER_FILES)
        sockets = _listen_side_by_side(len(self._farm))
        self._hosts = [
            _Host(machine, self._beds[machine.host.answers_for or machine.name], bound.getsockname()[1], bound)
            for machine, bound in zip(self._farm, sockets, strict=True)
        ]
        self.addresses = {host.machine.name: f"http://{LOOPBACK}:{host.port}" for host in self._hosts}
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever, name="simulated-hosts", daemon=True)
        self._thread.start()
        self.move_clock(datetime.fromtimestamp(self._now).astimezone())
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        loop, thread = self._loop, self._thread
        if loop is None or thread is None:
            return
        asyncio.run_coroutine_threadsafe(self._close_all(), loop).result(STARTING_SECONDS)
        loop.call_soon_threadsafe(loop.stop)
        thread.join(STARTING_SECONDS)
        loop.close()
        self._loop = self._thread = None

    def move_clock(self, now: datetime) -> None:
        """From now on it is `now` for every host: newer meshes appear, hosts fall silent."""
        if self._loop is None:
            raise RuntimeError("the hosts do not run")
        self._now = now.timestamp()
        asyncio.run_coroutine_threadsafe(self._listen_as_due(), self._loop).result(STARTING_SECONDS)

    def series(self, name: str) -> BedSeries:
        """The meshes of a machine, as its host gives them."""
        return self._host(name).series

    def put_series(self, name: str, series: BedSeries) -> None:
        """From now on the machine's host gives these."""
        self._host(name).series = series

    def _host(self, name: str) -> _Host:
        return next(host for host in self._hosts if host.machine.name == name)

    def _days_before_end(self) -> float:
        return (self._end - self._now) / DAY

    def _is_silent(self, host: _Host) -> bool:
        since = host.machine.host.silent_days_before
        return since is not None and self._days_before_end() <= since

    async def _listen_as_due(self) -> None:
        for host in self._hosts:
            if self._is_silent(host):
                await _stop_listening(host)
            elif host.server is None:
                await self._start_listening(host)

    async def _start_listening(self, host: _Host) -> None:
        listening, host.listening = host.listening or _listen(host.port), None
        loop = asyncio.get_running_loop()
        host.server = await loop.create_server(lambda: _Connection(host, self._answer), sock=listening)

    async def _close_all(self) -> None:
        for host in self._hosts:
            await _stop_listening(host)
        await asyncio.sleep(0)  # lets the aborted connections be lost before the loop ends

    def _answer(self, host: _Host, head: str) -> bytes:
        self.answered += 1
        request, *lines = head.split("\r\n")
        method, _, rest = request.partition(" ")
        path = rest.rpartition(" ")[0]
        headers = {name.strip().lower(): value.strip() for name, _, value in (line.partition(":") for line in lines)}
        if method != "GET":
            return _response("405 Method Not Allowed", "text/plain", b"Only GET is answered here.\n")
        phrasing = PHRASINGS[host.machine.mapping]
        if phrasing.wants_key and headers.get(HOST_KEY_HEADER.lower()) != HOST_KEY:
            return _response("401 Unauthorized", "text/plain", b"The farm's key is wanted.\n")
        name = quote(host.machine.name)
        for known, phrase in phrasing.answers.items():
            if path == known.replace("{machine}", name):
                return self._mesh_answer(host, known, phrase)
        return _response("404 Not Found", "text/plain", b"Nothing stands here.\n")

    def _mesh_answer(self, host: _Host, path: str, phrase: _Phrase) -> bytes:
        days = self._days_before_end()
        rubbish_from = host.machine.host.rubbish_days_before
        if rubbish_from is not None and days <= rubbish_from:
            return _response("200 OK", *_RUBBISH[int(days) % len(_RUBBISH)])
        newest = host.series.newest(self._now)
        if newest is None:
            return _response("404 Not Found", "text/plain", b"No mesh yet.\n")
        if (path, newest) not in host.last_answer:
            host.last_answer = {place: answer for place, answer in host.last_answer.items() if place[1] == newest}
            host.last_answer[path, newest] = _response("200 OK", *phrase(_said(host, newest)))
        return host.last_answer[path, newest]


class _Connection(asyncio.Protocol):
    """One kept-alive connection of a host: every whole request head is answered in turn."""

    def __init__(self, host: _Host, answer: Callable[[_Host, str], bytes]) -> None:
        self._host, self._answer = host, answer
        self._got = b""
        self._transport: asyncio.Transport | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        if isinstance(transport, asyncio.Transport):
            self._transport = transport
            self._host.connections.add(transport)

    def data_received(self, data: bytes) -> None:
        if self._transport is None:
            return
        self._got += data
        while b"\r\n\r\n" in self._got:
            head, _, self._got = self._got.partition(b"\r\n\r\n")
            self._transport.write(self._answer(self._host, head.decode("latin-1")))
        if len(self._got) > LARGEST_REQUEST:
            self._transport.abort()

    def connection_lost(self, exc: Exception | None) -> None:  # noqa: ARG002 (the name is the protocol's)
        if self._transport is not None:
            self._host.connections.discard(self._transport)


def _said(host: _Host, i: int) -> Said:
    series = host.series
    return Said(
        serial=f"saltmarsh/{host.machine.host.answers_for or host.machine.name}",
        x=series.x,
        y=series.y,
        z=series.z[i],
        taken_at=float(series.taken_at[i]),
        celsius=float(series.celsius[i]),
        plate=series.plate[i],
    )


def _response(status: str, kind: str, body: bytes) -> bytes:
    return f"HTTP/1.1 {status}\r\nContent-Type: {kind}\r\nContent-Length: {len(body)}\r\n\r\n".encode() + body


async def _stop_listening(host: _Host) -> None:
    if host.listening is not None:
        host.listening.close()
        host.listening = None
    if host.server is None:
        return
    host.server.close()
    for transport in tuple(host.connections):
        transport.abort()
    await host.server.wait_closed()
    host.server = None


def _listen_side_by_side(count: int) -> list[socket.socket]:
    """`count` listening sockets on neighbouring loopback ports, in the first block of ports where all are free."""
    step = -(-count // PORT_BLOCK) * PORT_BLOCK
    for first in range(FIRST_PORT, PORT_END - count, step):
        sockets: list[socket.socket] = []
        try:
            sockets.extend(map(_listen, range(first, first + count)))
        except OSError:
            for bound in sockets:
                bound.close()
        else:
            return sockets
    raise FarmwatchError(f"no {count} neighbouring ports are free on {LOOPBACK} for the simulated hosts of the demo")


def _allow_files(wanted: int) -> None:
    """Raise this process's limit of open files, where it has one and may; FarmwatchError where it may not."""
    try:
        import resource
    except ImportError:
        return
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    if soft == resource.RLIM_INFINITY or soft >= wanted:
        return
    if hard != resource.RLIM_INFINITY and hard < wanted:
        raise FarmwatchError(
            f"this system lets a process open {hard} files; the demo's hosts want {wanted}. Ask for fewer --machines"
        )
    resource.setrlimit(resource.RLIMIT_NOFILE, (wanted, hard))


def _listen(port: int) -> socket.socket:
    bound = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        bound.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        bound.bind((LOOPBACK, port))
        # Listening at once: two sockets that only hold the same port would both succeed.
        bound.listen(64)
    except OSError:
        bound.close()
        raise
    return bound
