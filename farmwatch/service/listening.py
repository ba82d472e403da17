"""A very small HTTP server for health and figures: GET and HEAD of a few paths, each request within bounds.

A request is read whole within two seconds and eight KiB, answered, and the connection closed. So few threads serve
them that whoever drips bytes can hold up other askers for seconds, and the polls not at all.
"""

from __future__ import annotations

import contextlib
import ipaddress
import logging
import socket
import threading
import time
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from email.utils import formatdate

from farmwatch.errors import FarmwatchError

__all__ = ["Listener", "Page", "Reply"]

_log = logging.getLogger(__name__)

LONGEST_SECONDS = 2.0
LARGEST_REQUEST = 8 * 1024
AT_ONCE = 4
WAITING = 16
_TITLES = {
    200: "OK", 400: "Bad Request", 404: "Not Found", 405: "Method Not Allowed", 408: "Request Timeout",
    421: "Misdirected Request", 431: "Request Header Fields Too Large", 500: "Internal Server Error",
    503: "Service Unavailable",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Reply:
    """Status, media type and body."""

    status: int
    kind: str
    body: bytes


Page = Callable[[], Reply]


class Listener:
    """Serves `pages` (by path) at an address from `start` until `close`. Port 0 takes any free one; see `port`."""

    def __init__(self, host: str, port: int, pages: Mapping[str, Page]) -> None:
        self._pages = dict(pages)
        self._loopback = _is_loopback(host)
        try:
            family = socket.AF_INET6 if ":" in host else socket.AF_INET
            self._socket = socket.create_server((host, port), family=family, backlog=WAITING)
        except OSError as fault:
            raise FarmwatchError(
                f"service.listen {host}:{port}: cannot listen there ({fault.strerror}); "
                "is another farm's service using it? Name another port"
            ) from fault
        self.port: int = self._socket.getsockname()[1]
        self._free = threading.BoundedSemaphore(AT_ONCE)
        self._pool = ThreadPoolExecutor(AT_ONCE, "farmwatch-health")
        self._thread = threading.Thread(target=self._accept, name="farmwatch-listen", daemon=True)
        self._closed = False

    def start(self) -> None:
        """Begin to serve."""
        self._thread.start()

    def close(self) -> None:
        """Serve no more; what is being answered ends within the bounds."""
        self._closed = True
        with contextlib.suppress(OSError):
            self._socket.shutdown(socket.SHUT_RDWR)
        self._socket.close()
        if self._thread.is_alive():
            self._thread.join(LONGEST_SECONDS)
        self._pool.shutdown(wait=True, cancel_futures=True)

    def _accept(self) -> None:
        while not self._closed:
            # Not accepted before somebody is free to serve it: so many wait in the system's queue, and no more.
            self._free.acquire()
            try:
                connection, _ = self._socket.accept()
            except OSError:
                self._free.release()
                if not self._closed:
                    # Out of file descriptors, perhaps: not for long.
                    time.sleep(0.2)
                continue
            try:
                self._pool.submit(self._serve, connection)
            except RuntimeError:
                connection.close()
                self._free.release()

    def _serve(self, connection: socket.socket) -> None:
        try:
            with connection, contextlib.suppress(OSError):
                end = time.monotonic() + LONGEST_SECONDS
                head = _read_head(connection, end)
                if head is None:
                    return
                with_body, reply = (True, _problem(head)) if isinstance(head, int) else self._answer(head)
                connection.settimeout(LONGEST_SECONDS)
                connection.sendall(_written(reply, with_body))
                # Closing over what was not read would reset the connection under the reader's feet.
                connection.shutdown(socket.SHUT_WR)
        finally:
            self._free.release()

    def _answer(self, head: bytes) -> tuple[bool, Reply]:
        """Whether a body is wanted, and the reply."""
        lines = head.decode("latin-1").split("\r\n")
        parts = lines[0].split(" ")
        if len(parts) != 3 or parts[2] not in ("HTTP/1.0", "HTTP/1.1"):
            return True, _problem(400)
        method, target, protocol = parts
        hosts = [line.partition(":")[2].strip() for line in lines[1:] if line.partition(":")[0].lower() == "host"]
        if len(hosts) > 1 or (not hosts and protocol == "HTTP/1.1"):
            return True, _problem(400)
        if method not in ("GET", "HEAD"):
            return True, _problem(405)
        if self._loopback and hosts and not _names_this_computer(hosts[0]):
            # A page from elsewhere whose name was made to lead here (DNS rebinding).
            return method == "GET", _problem(421)
        page = self._pages.get(target.partition("?")[0])
        if page is None:
            return method == "GET", _problem(404)
        try:
            return method == "GET", page()
        except Exception:
            _log.exception("page-failed")
            return method == "GET", _problem(500)


def _read_head(connection: socket.socket, end: float) -> bytes | int | None:
    """The request up to its empty line; a status where it is too slow or too long; None where nobody asks."""
    got = b""
    while b"\r\n\r\n" not in got:
        left = end - time.monotonic()
        if left <= 0:
            return 408
        connection.settimeout(left)
        try:
            piece = connection.recv(4096)
        except TimeoutError:
            return 408
        if not piece:
            return None
        got += piece
        if len(got) > LARGEST_REQUEST:
            return 431
    return got.partition(b"\r\n\r\n")[0]


def _written(reply: Reply, with_body: bool) -> bytes:
    lines = [
        f"HTTP/1.1 {reply.status} {_TITLES[reply.status]}",
        f"Date: {formatdate(usegmt=True)}",
        f"Content-Type: {reply.kind}",
        f"Content-Length: {len(reply.body)}",
        "Cache-Control: no-store",
        "X-Content-Type-Options: nosniff",
        "Connection: close",
    ]
    if reply.status == 405:
        lines.append("Allow: GET, HEAD")
    return "\r\n".join([*lines, "", ""]).encode("ascii") + (reply.body if with_body else b"")


def _problem(status: int) -> Reply:
    title = _TITLES[status]
    body = f'{{"type":"about:blank","title":"{title}","status":{status}}}\n'
    return Reply(status, "application/problem+json", body.encode("ascii"))


def _is_loopback(host: str) -> bool:
    return host == "localhost" or ipaddress.ip_address(host).is_loopback


def _names_this_computer(host: str) -> bool:
    name = host[1:].partition("]")[0] if host.startswith("[") else host.partition(":")[0]
    if name.lower() == "localhost":
        return True
    try:
        ipaddress.ip_address(name)
    except ValueError:
        return False
    return True
