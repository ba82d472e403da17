"""Fetches one answer of one host: GET only, one deadline for all of it, a size cap, no redirect elsewhere.

`requests` does the HTTP, by a session shaped to the farm (`session`); the deadline around it is ours (`connection`
shows every socket to the `watchdog`). Reasons name the URL without query, user or secret.
"""

from __future__ import annotations

import http.client
import resource
import threading
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from urllib.parse import urlencode, urljoin

import requests
import urllib3
from requests.exceptions import InvalidProxyURL

from farmwatch.collect.body import too_large, unpacked
from farmwatch.collect.connection import GRACE_SECONDS, Address, current_request
from farmwatch.collect.faults import PollError, network_error, root, shown, status_error
from farmwatch.collect.session import FarmSession
from farmwatch.collect.watchdog import Deadline, Watchdog

__all__ = ["Answer", "Fetcher", "Stopped"]

MOST_REDIRECTS = 3
REDIRECTS = frozenset({301, 302, 303, 307, 308})
PIECE = 65_536
MOST_QUESTIONS = 20_000
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
        self._session = FarmSession(_room_for(connections), ca_file, trust_env=trust_env)
        self._watchdog = Watchdog()
        self._lock = threading.Lock()
        self._turns: dict[Address, threading.Lock] = {}
        self._questions: dict[tuple[str, tuple[tuple[str, str], ...]], requests.PreparedRequest] = {}

    def __enter__(self) -> Fetcher:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.close()

    def deadline(self) -> Deadline:
        """One deadline, for a question that takes several requests."""
        return self._watchdog.deadline(self.deadline_seconds)

    def get(
        self,
        url: str,
        headers: Mapping[str, str] | None = None,
        query: Mapping[str, str] | None = None,
        deadline: Deadline | None = None,
    ) -> Answer:
        """The answer to a GET of `url` with `query` added.

        Raises PollError for whatever is not a 200 within the deadline and the cap; Stopped after `stop` or `close`.
        """
        if deadline is None:
            with self.deadline() as own:
                return self.get(url, headers, query, own)
        if query:
            url += ("&" if "?" in url else "?") + urlencode(query)
        for _ in range(MOST_REDIRECTS + 1):
            answer = self._ask(url, headers or {}, deadline)
            if isinstance(answer, Answer):
                return answer
            url = _same_host(url, answer)
        raise PollError("host-error", f"{shown(url)} redirects more than {MOST_REDIRECTS} times")

    def stop(self) -> None:
        """Cut every request that is open now; each raises Stopped."""
        self._watchdog.stop_all()

    def close(self) -> None:
        """Cut open requests, close every socket, end the watchdog."""
        self._watchdog.close()
        self._session.close()

    def _ask(self, url: str, headers: Mapping[str, str], deadline: Deadline) -> Answer | str:
        """One request: the answer, or where it redirects to."""
        try:
            address = Address.of(url)
        except ValueError as error:
            raise PollError("unreachable", f"{shown(url)} is no address: {error}") from None
        turn = self._turn(address)
        if not turn.acquire(timeout=deadline.left()):
            raise PollError("timed-out", f"{shown(url)} was busy with another question for {self.deadline_seconds:g} s")
        try:
            return self._exchange(url, headers, deadline)
        except InvalidProxyURL:
            raise PollError(
                "unreachable", f"{shown(url)}: the proxy that the environment names for it is not of http or https"
            ) from None
        except (OSError, http.client.HTTPException, urllib3.exceptions.HTTPError, ValueError) as error:
            cause = root(error)
            if deadline.stopped:
                raise Stopped from None
            if deadline.expired or isinstance(cause, TimeoutError):
                raise self._timed_out(url) from None
            raise network_error(cause, url) from None
        finally:
            # Its connection may serve another question from here on.
            deadline.release()
            turn.release()

    def _exchange(self, url: str, headers: Mapping[str, str], deadline: Deadline) -> Answer | str:
        if deadline.stopped:
            raise Stopped
        response = self._send(url, headers, deadline)
        try:
            answer = self._read(response, url)
        except PollError:
            # A packed body without a length, cut where time was up, is not broken but late.
            if deadline.expired:
                raise TimeoutError from None
            raise
        finally:
            # One that was read to its end has given its connection back already.
            response.close()
        if deadline.expired:
            # A body without a length ends where the socket is cut, and would pass for a whole one.
            raise TimeoutError
        return answer

    def _send(self, url: str, headers: Mapping[str, str], deadline: Deadline) -> requests.Response:
        request = self._prepared(url, headers)
        current_request.begin(deadline)
        try:
            return self._once(request, deadline)
        except requests.ConnectionError as error:
            # A host may close a kept connection just as it is used again; a GET may be asked twice.
            if current_request.opened or deadline.expired or not isinstance(root(error), ConnectionError):
                raise
        return self._once(request, deadline)

    def _prepared(self, url: str, headers: Mapping[str, str]) -> requests.PreparedRequest:
        """The same question is asked again and again, and nothing changes a prepared one: each is made once.

        Prepared apart from the session, which would add cookies, and with trust_env a login from ~/.netrc.
        """
        key = (url, tuple(headers.items()))
        known = self._questions.get(key)
        if known is None:
            if len(self._questions) >= MOST_QUESTIONS:
                self._questions.clear()
            known = requests.Request("GET", url, headers={**HEADERS, **headers}).prepare()
            self._questions[key] = known
        return known

    def _once(self, request: requests.PreparedRequest, deadline: Deadline) -> requests.Response:
        # By the adapter: a session would look for cookies, hooks and redirects in every answer.
        return self._session.ask(request, deadline.left() + GRACE_SECONDS)

    def _read(self, response: requests.Response, url: str) -> Answer | str:
        raw: urllib3.HTTPResponse = response.raw
        if response.status_code != 200:
            # What stands in it is of no use, and reading a short one keeps the connection. Never after a word before
            # the answer (1xx): what still comes would pass for the answer to the next question, another machine's.
            if response.status_code >= 200 and raw.length_remaining is not None and raw.length_remaining <= PIECE:
                raw.drain_conn()
            where = response.headers.get("Location")
            if response.status_code in REDIRECTS and where is not None:
                return where
            raise status_error(response.status_code, url)
        try:
            body = _body(raw, self._cap)
            body = unpacked(body, response.headers.get("Content-Encoding", ""), self._cap)
        except PollError as trouble:
            raise PollError(trouble.outcome, f"{shown(url)}: {trouble.reason}") from None
        return Answer(body, response.headers.get("Content-Type", ""))

    def _turn(self, address: Address) -> threading.Lock:
        with self._lock:
            return self._turns.setdefault(address, threading.Lock())

    def _timed_out(self, url: str) -> PollError:
        return PollError("timed-out", f"{shown(url)} gave no whole answer within {self.deadline_seconds:g} s")


def _body(raw: urllib3.HTTPResponse, cap: int) -> bytes:
    """The body as it came over the wire, packed or not; PollError where it is larger than `cap`."""
    if raw.length_remaining is not None:
        if raw.length_remaining > cap:
            raise too_large(cap)
        return raw.read(decode_content=False)
    pieces, size = [], 0
    while piece := raw.read(min(PIECE, cap + 1 - size), decode_content=False):
        pieces.append(piece)
        size += len(piece)
        if size > cap:
            raise too_large(cap)
    return b"".join(pieces)


def _same_host(url: str, where: str) -> str:
    """Where a redirect leads, if that is the same host, in the same scheme or from http up to https."""
    old = Address.of(url)
    try:
        # Joining refuses a half-written IPv6 address, as reading one does.
        there = urljoin(url, where)
        new = Address.of(there)
    except ValueError:
        raise PollError("host-error", f"{shown(url)} redirects to something that is no web address") from None
    upgraded = old == Address("http", old.host, 80) and new == Address("https", old.host, 443)
    if new != old and not upgraded:
        raise PollError("host-error", f"{shown(url)} redirects elsewhere, to {new}; only its own address is followed")
    return there


def _room_for(connections: int) -> int:
    """How many connections may stay open: as many as asked for, within what the system lets a process have."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    wanted = 2 * connections + OTHER_FILES
    if soft != resource.RLIM_INFINITY and soft < wanted:
        soft = wanted if hard == resource.RLIM_INFINITY else min(wanted, hard)
        resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))
    return connections if soft == resource.RLIM_INFINITY else max(1, min(connections, (soft - OTHER_FILES) // 2))
