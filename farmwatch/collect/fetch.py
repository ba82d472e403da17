"""Fetches one answer of one host: GET only, one deadline for all of it, a size cap, no redirect elsewhere.

The connections are http.client's, one kept open per address, since one request at a time per address is the rule
anyway: a pool of that shape costs a third of a general one per poll and leaves the watchdog the whole of the wire.
Reasons name the URL without query, user or secret.
"""

from __future__ import annotations

import http.client
import resource
import ssl
import threading
from collections import OrderedDict
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from urllib.parse import urlencode, urljoin, urlsplit, urlunsplit

from farmwatch.collect.connection import Address, GuardedConnection, connection_to
from farmwatch.collect.faults import network_trouble, shown, status_trouble
from farmwatch.collect.outcome import Trouble
from farmwatch.collect.unpack import too_large, unpacked
from farmwatch.collect.watchdog import Guard, Watchdog
from farmwatch.errors import FarmwatchError

__all__ = ["Answer", "Fetcher", "Stopped"]

MOST_REDIRECTS = 3
REDIRECTS = frozenset({301, 302, 303, 307, 308})
PIECE = 65_536
# Files a process needs beside its sockets to hosts.
OTHER_FILES = 64
HEADERS = {"User-Agent": "farmwatch", "Accept": "application/json, text/plain, */*;q=0.5"}


class Stopped(Exception):
    """The fetcher was stopped while the request was open: that says nothing about the host."""


@dataclass(frozen=True, slots=True)
class Answer:
    """A host's answer of status 200, unpacked."""

    body: bytes
    content_type: str = ""


class Fetcher:
    """Asks hosts, any number of threads at once; keeps up to `connections` open between questions.

    `ca_file` (PEM) is trusted beside the system's authorities. Raises FarmwatchError where it cannot be read.
    """

    def __init__(
        self,
        *,
        deadline_seconds: float = 10.0,
        largest_answer: int = 2048 * 1024,
        connections: int = 100,
        ca_file: Path | None = None,
        trust_env: bool = False,
    ) -> None:
        self.deadline_seconds = deadline_seconds
        self._cap = largest_answer
        self._room = _room_for(connections)
        self._ca_file = ca_file
        self._trust_env = trust_env
        self._watchdog = Watchdog()
        self._lock = threading.Lock()
        self._idle: OrderedDict[Address, GuardedConnection] = OrderedDict()
        self._turns: dict[Address, threading.Lock] = {}
        self._context: ssl.SSLContext | None = _tls_context(ca_file) if ca_file else None
        self._closed = False

    def __enter__(self) -> Fetcher:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.close()

    def guard(self) -> Guard:
        """One deadline, for a question that takes several requests."""
        return self._watchdog.guard(self.deadline_seconds)

    def get(
        self,
        url: str,
        headers: Mapping[str, str] | None = None,
        query: Mapping[str, str] | None = None,
        guard: Guard | None = None,
    ) -> Answer:
        """The answer to a GET of `url` with `query` added.

        Raises Trouble for whatever is not a 200 within the deadline and the cap; Stopped after `stop` or `close`.
        """
        if guard is None:
            with self.guard() as own:
                return self.get(url, headers, query, own)
        if query:
            url += ("&" if "?" in url else "?") + urlencode(query)
        for _ in range(MOST_REDIRECTS + 1):
            answer = self._ask(url, headers or {}, guard)
            if isinstance(answer, Answer):
                return answer
            url = _same_host(url, answer)
        raise Trouble("host-error", f"{shown(url)} redirects more than {MOST_REDIRECTS} times")

    def stop(self) -> None:
        """Cut every request that is open now; each raises Stopped."""
        self._watchdog.stop_all()

    def close(self) -> None:
        """Cut open requests, close every socket, end the watchdog."""
        with self._lock:
            self._closed = True
            idle, self._idle = self._idle, OrderedDict()
        self._watchdog.close()
        for connection in idle.values():
            connection.close()

    def _ask(self, url: str, headers: Mapping[str, str], guard: Guard) -> Answer | str:
        """One request: the answer, or where it redirects to."""
        try:
            address = Address.of(url)
        except ValueError as error:
            raise Trouble("unreachable", f"{shown(url)} is no address: {error}") from None
        turn = self._turn(address)
        if not turn.acquire(timeout=guard.left()):
            raise Trouble("timed-out", f"{shown(url)} was busy with another question for {self.deadline_seconds:g} s")
        try:
            return self._exchange(address, url, headers, guard)
        except (OSError, http.client.HTTPException, ValueError) as error:
            if guard.stopped:
                raise Stopped from None
            if guard.expired or isinstance(error, TimeoutError):
                raise self._timed_out(url) from None
            raise network_trouble(error, url) from None
        finally:
            turn.release()

    def _exchange(self, address: Address, url: str, headers: Mapping[str, str], guard: Guard) -> Answer | str:
        connection = self._connection(address)
        response = None
        try:
            response = _send(connection, url, headers, guard)
            connection.served += 1
            answer = self._read(response, url)
            if guard.expired:
                # A body without a length ends where the socket is cut, and would pass for a whole one.
                raise TimeoutError
            return answer
        finally:
            whole = response is not None and response.isclosed() and not response.will_close
            if response is not None and not whole:
                # It may be the one that holds the socket: a connection that will close has let go of it.
                response.close()
            self._put_back(address, connection, keep=whole and not guard.expired)

    def _read(self, response: http.client.HTTPResponse, url: str) -> Answer | str:
        where = response.headers.get("Location")
        if response.status in REDIRECTS and where is not None:
            return where
        if response.status != 200:
            # What stands in an error page is of no use, and reading a short one keeps the connection.
            if response.length is not None and response.length <= PIECE:
                response.read()
            raise status_trouble(response.status, url)
        try:
            body = _body(response, self._cap)
            body = unpacked(body, response.headers.get("Content-Encoding", ""), self._cap)
        except Trouble as trouble:
            raise Trouble(trouble.outcome, f"{shown(url)}: {trouble.reason}") from None
        return Answer(body, response.headers.get("Content-Type", ""))

    def _turn(self, address: Address) -> threading.Lock:
        with self._lock:
            return self._turns.setdefault(address, threading.Lock())

    def _connection(self, address: Address) -> GuardedConnection:
        with self._lock:
            if self._closed:
                raise Stopped
            connection = self._idle.pop(address, None)
            if address.scheme == "https" and self._context is None:
                self._context = _tls_context(self._ca_file)
        if connection is not None:
            if not connection.gone():
                return connection
            connection.close()
        return connection_to(address, self._context, trust_env=self._trust_env)

    def _put_back(self, address: Address, connection: GuardedConnection, *, keep: bool) -> None:
        surplus = connection
        with self._lock:
            if keep and not self._closed:
                self._idle[address] = connection
                if len(self._idle) <= self._room:
                    return
                _, surplus = self._idle.popitem(last=False)
        surplus.close()

    def _timed_out(self, url: str) -> Trouble:
        return Trouble("timed-out", f"{shown(url)} gave no whole answer within {self.deadline_seconds:g} s")


def _send(
    connection: GuardedConnection, url: str, headers: Mapping[str, str], guard: Guard
) -> http.client.HTTPResponse:
    parts = urlsplit(url)
    target = connection.prefix + urlunsplit(("", "", parts.path or "/", parts.query, ""))
    for _ in range(2):
        fresh = connection.served == 0
        connection.renew(guard)
        try:
            connection.request("GET", target, headers={**HEADERS, **connection.proxy_headers, **headers})
            return connection.getresponse()
        except (ConnectionError, http.client.RemoteDisconnected):
            # A host may close a kept connection just as it is used again; a GET may be asked twice.
            connection.close()
            if fresh or guard.expired:
                raise
            connection.served = 0
    raise http.client.RemoteDisconnected("closed the connection twice")


def _body(response: http.client.HTTPResponse, cap: int) -> bytes:
    if response.length is not None:
        if response.length > cap:
            raise too_large(cap)
        return response.read()
    pieces, size = [], 0
    while piece := response.read(min(PIECE, cap + 1 - size)):
        pieces.append(piece)
        size += len(piece)
        if size > cap:
            raise too_large(cap)
    return b"".join(pieces)


def _same_host(url: str, where: str) -> str:
    """Where a redirect leads, if that is the same host, in the same scheme or from http up to https."""
    there = urljoin(url, where)
    old = Address.of(url)
    try:
        new = Address.of(there)
    except ValueError:
        raise Trouble("host-error", f"{shown(url)} redirects to something that is no web address") from None
    upgraded = old == Address("http", old.host, 80) and new == Address("https", old.host, 443)
    if new != old and not upgraded:
        raise Trouble("host-error", f"{shown(url)} redirects elsewhere, to {new}; only its own address is followed")
    return there


def _tls_context(ca_file: Path | None) -> ssl.SSLContext:
    context = ssl.create_default_context()
    if ca_file is not None:
        try:
            context.load_verify_locations(ca_file)
        except (OSError, ssl.SSLError):
            raise FarmwatchError(f"ca_file {ca_file} cannot be read as a file of PEM certificates") from None
    return context


def _room_for(connections: int) -> int:
    """How many connections may stay open: as many as asked for, within what the system lets a process have."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    wanted = 2 * connections + OTHER_FILES
    if soft != resource.RLIM_INFINITY and soft < wanted:
        soft = wanted if hard == resource.RLIM_INFINITY else min(wanted, hard)
        resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))
    return connections if soft == resource.RLIM_INFINITY else max(1, min(connections, (soft - OTHER_FILES) // 2))
