"""The server under the pages: waitress within bounds, so that a browser, slow, idle or hostile, costs only itself.

One thread watches every connection, a few threads answer whole requests, so that whoever drips bytes holds a buffer and
no thread. Bounds: how many connections there are, in all and from one address; how long one may be idle, and how long a
request may take to arrive. When all places are taken the connection that has been idle longest gives its own up; where
none is idle the newcomer is told 503 and when to come again. Time is measured on the clock that nobody sets.
"""

from __future__ import annotations

import contextlib
import json
import logging
import socket
import threading
import time
from collections.abc import Callable, Iterable
from email.utils import formatdate
from http import HTTPStatus
from typing import Any

from waitress import wasyncore
from waitress.adjustments import Adjustments
from waitress.channel import HTTPChannel
from waitress.server import TcpWSGIServer
from waitress.task import ErrorTask, ThreadedTaskDispatcher

from farmwatch.config.settings import ServiceSection
from farmwatch.errors import FarmwatchError
from farmwatch.pages.tls import TlsFront

__all__ = ["CONNECTIONS", "LARGEST_BODY", "LARGEST_HEAD", "PagesServer", "problem_body"]

THREADS = 4
CONNECTIONS, CONNECTIONS_OF_ONE = 120, 60
LARGEST_HEAD, LARGEST_BODY = 8 * 1024, 64 * 1024
WAITING, AT_ONCE = 512, 64
LARGEST_UNREAD = 128 * 1024
IDLE_SECONDS, ARRIVING_SECONDS, TAKING_SECONDS = 15.0, 10.0, 60.0
LOOK_SECONDS = 1.0
ENDING_SECONDS = 2.0
PROBLEM = "application/problem+json"

Application = Callable[[dict[str, Any], Callable[..., Any]], Iterable[bytes]]


def problem_body(status: int, detail: str = "") -> bytes:
    """An answer that says what is wrong (RFC 9457)."""
    document = {"type": "about:blank", "title": HTTPStatus(status).phrase, "status": status}
    return json.dumps(document | ({"detail": detail} if detail else {}), separators=(",", ":")).encode() + b"\n"


class PagesServer:
    """Serves an application at the address of [service] from `start` until `close`; port 0 takes any free one.

    Raises FarmwatchError where it cannot listen, or where certificate and key cannot be used.
    """

    def __init__(self, application: Application, service: ServiceSection) -> None:
        self._listening = _listen(service.host, service.port)
        self.port: int = self._listening.getsockname()[1]
        self._front: TlsFront | None = None
        sock = self._listening
        if service.certificate is not None and service.key is not None:
            try:
                self._front = TlsFront(self._listening, service.certificate, service.key, 2 * CONNECTIONS)
            except FarmwatchError:
                self._listening.close()
                raise
            # Its connections come by the front; waitress itself then listens to nobody.
            sock = socket.socket(self._listening.family)
        proxy = {"trusted_proxy": "*", "trusted_proxy_count": 1, "trusted_proxy_headers": _PROXY_HEADERS}
        adjustments = Adjustments(
            sockets=[sock], threads=THREADS, ident=None, backlog=WAITING, connection_limit=10 * CONNECTIONS,
            max_request_header_size=LARGEST_HEAD, max_request_body_size=LARGEST_BODY, asyncore_use_poll=True,
            asyncore_loop_timeout=1, expose_tracebacks=False, log_socket_errors=False,
            url_scheme="https" if self._front else "http", clear_untrusted_proxy_headers=False,
            **(proxy if service.behind_proxy else {}),
        )  # fmt: skip
        logging.getLogger("waitress.queue").setLevel(logging.ERROR)
        self._dispatcher = ThreadedTaskDispatcher()
        self._dispatcher.set_thread_count(THREADS)
        self._server = _Server(
            application, _start=self._front is None, _sock=sock, dispatcher=self._dispatcher, adj=adjustments,
            bind_socket=False, sockinfo=(sock.family, sock.type, sock.proto, sock.getsockname()),
        )  # fmt: skip
        # Behind a proxy, or on this computer, everybody comes from one address.
        self._server.most_of_one = CONNECTIONS if service.behind_proxy or service.on_loopback else CONNECTIONS_OF_ONE
        self._thread = threading.Thread(target=self._server.run, name="farmwatch-pages", daemon=True)

    def start(self) -> None:
        """Begin to serve."""
        self._thread.start()
        if self._front is not None:
            self._front.start(self._server.hand_over)

    def close(self) -> None:
        """Serve no more; what is being answered has a moment to end."""
        if self._front is not None:
            self._front.close()
        if self._thread.is_alive():
            self._server.trigger.pull_trigger(self._server.close_all)
            self._thread.join(ENDING_SECONDS)
        else:
            self._server.close_all()
        self._dispatcher.shutdown(timeout=ENDING_SECONDS)
        self._listening.close()


_PROXY_HEADERS = {"x-forwarded-for", "x-forwarded-proto"}


def _listen(host: str, port: int) -> socket.socket:
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    try:
        found = socket.create_server((host, port), family=family, backlog=WAITING)
    except OSError as fault:
        raise FarmwatchError(
            f"service.listen {host}:{port}: cannot listen there ({fault.strerror}); "
            "is another farm's service using it? Name another port"
        ) from fault
    found.setblocking(False)
    return found


class _Told(ErrorTask):  # type: ignore[misc]  # waitress has no types
    """What is wrong with a request that no application gets to see."""

    def execute(self) -> None:
        status = int(self.request.error.code)
        body = problem_body(status)
        self.status = f"{status} {HTTPStatus(status).phrase}"
        self.response_headers += [("Content-Type", PROBLEM), ("Content-Length", str(len(body))), *_BARE]
        self.set_close_on_finish()
        self.content_length = len(body)
        self.write(body)


_BARE = [("Cache-Control", "no-store"), ("X-Content-Type-Options", "nosniff")]


class _Connection(HTTPChannel):  # type: ignore[misc]  # waitress has no types
    """One connection, and when it was last heard of."""

    error_task_class = _Told

    def __init__(self, server: _Server, sock: socket.socket, addr: Any, adj: Any, map: Any = None) -> None:  # noqa: A002  # the name is waitress's
        super().__init__(server, sock, addr, adj, map=map)
        self.heard = time.monotonic()
        self.arriving_since: float | None = None

    def received(self, data: bytes) -> bool:
        """Bytes came; a request that is not whole by then is on its way."""
        self.heard = time.monotonic()
        went_on = bool(super().received(data))
        if self.request is None:
            self.arriving_since = None
        elif self.arriving_since is None:
            self.arriving_since = self.heard
        return went_on

    @property
    def idle(self) -> bool:
        """Whether nothing is asked, answered or on its way."""
        return not self.requests and not self.total_outbufs_len and self.request is None

    def handle_close(self) -> None:
        """Close it; what was sent and never read is taken in first, or the answer would be reset under way."""
        if self.connected:
            with contextlib.suppress(OSError):
                self.socket.shutdown(socket.SHUT_WR)
                for _ in range(LARGEST_UNREAD // 8192):
                    if not self.socket.recv(8192):
                        break
        super().handle_close()

    def let_go(self, status: int | None = None) -> None:
        """Close it; with the status in short where it waits for one."""
        if status is not None:
            with contextlib.suppress(OSError):
                self.socket.send(_in_short(status))
        self.handle_close()


def _in_short(status: int) -> bytes:
    body = problem_body(status)
    again = "Retry-After: 2\r\n" if status == HTTPStatus.SERVICE_UNAVAILABLE else ""
    head = (
        f"HTTP/1.1 {status} {HTTPStatus(status).phrase}\r\nDate: {formatdate(usegmt=True)}\r\n"
        f"Content-Type: {PROBLEM}\r\nContent-Length: {len(body)}\r\nCache-Control: no-store\r\n{again}"
        "Connection: close\r\n\r\n"
    )
    return head.encode("ascii") + body


class _Server(TcpWSGIServer):  # type: ignore[misc]
    """waitress with bounds of our own in the place of its limit, which would let idle connections keep others out."""

    channel_class = _Connection
    most_of_one = CONNECTIONS_OF_ONE
    _next_look = 0.0

    def readable(self) -> bool:
        """Asked before each wait: the moment to look for connections that had their time."""
        now = time.monotonic()
        if now >= self._next_look:
            self._next_look = now + LOOK_SECONDS
            self._look(now)
        return bool(self.accepting)

    def handle_accept(self) -> None:
        """The connections that wait: served where there is room, else told so."""
        for _ in range(AT_ONCE):
            try:
                found = self.accept()
            except OSError:
                # Out of file descriptors, perhaps: not for long.
                return
            if found is None:
                return
            self._take(found[0], found[1])

    def hand_over(self, sock: socket.socket, address: Any) -> None:
        """A connection that the front accepted, from another thread."""
        self.trigger.pull_trigger(lambda: self._take(sock, address))

    def close_all(self) -> None:
        """Close every connection and end the loop; in its own thread."""
        wasyncore.close_all(self._map, ignore_all=True)

    def _take(self, sock: socket.socket, address: Any) -> None:
        if not self._room(str(address[0])):
            with sock, contextlib.suppress(OSError):
                sock.setblocking(False)
                sock.send(_in_short(503))
                sock.shutdown(socket.SHUT_WR)
            return
        self.channel_class(self, sock, address, self.adj, map=self._map)

    def _room(self, address: str) -> bool:
        """Whether there is a place for one more from there, once the longest idle one has given up its own."""
        here = [one for one in self.active_channels.values() if str(one.addr[0]) == address]
        crowd = here if len(here) >= self.most_of_one else list(self.active_channels.values())
        if len(here) < self.most_of_one and len(crowd) < CONNECTIONS:
            return True
        idle = [one for one in crowd if one.idle]
        if not idle:
            return False
        min(idle, key=lambda one: one.heard).let_go()
        return True

    def _look(self, now: float) -> None:
        for one in list(self.active_channels.values()):
            if one.requests:
                continue
            if one.arriving_since is not None and now - one.arriving_since > ARRIVING_SECONDS:
                one.let_go(408)
            elif now - one.heard > (TAKING_SECONDS if one.total_outbufs_len else IDLE_SECONDS):
                one.let_go()
