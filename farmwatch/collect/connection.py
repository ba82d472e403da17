"""Where a host answers, and the connection to it that the request running in this thread uses."""

from __future__ import annotations

import socket
import ssl
import threading
from dataclasses import dataclass
from functools import lru_cache
from typing import Any
from urllib.parse import urlsplit

from urllib3.connection import HTTPConnection, HTTPSConnection
from urllib3.exceptions import NewConnectionError

from farmwatch.collect.watchdog import Deadline

__all__ = ["GRACE_SECONDS", "Address", "PlainConnection", "TlsConnection", "WatchedTlsSocket", "current_request"]


DEFAULT_PORTS = {"http": 80, "https": 443}


@dataclass(frozen=True, slots=True)
class Address:
    """Where a host answers."""

    scheme: str
    host: str
    port: int

    @classmethod
    def of(cls, url: str) -> Address:
        """The address within a URL; raises ValueError where there is none."""
        return _address(url)

    def __str__(self) -> str:
        host = f"[{self.host}]" if ":" in self.host else self.host
        port = "" if self.port == DEFAULT_PORTS[self.scheme] else f":{self.port}"
        return f"{self.scheme}://{host}{port}"


@lru_cache(maxsize=4096)
def _address(url: str) -> Address:
    whole = urlsplit(url)
    scheme, place = whole.scheme, whole.netloc
    if scheme not in DEFAULT_PORTS:
        raise ValueError(f"wants http:// or https://, got {scheme or 'neither'}")
    parts = urlsplit(f"{scheme}://{place}")
    if not parts.hostname:
        raise ValueError("names no host")
    return Address(scheme, parts.hostname, parts.port or DEFAULT_PORTS[scheme])


# The watchdog ends a request; the socket's own timeout stands behind it, should the watchdog ever be late.
GRACE_SECONDS = 1.0


class CurrentRequest(threading.local):
    """The request running in this thread: its deadline, and whether a connection was opened for it."""

    deadline = Deadline(0.0)
    opened = False

    def begin(self, deadline: Deadline) -> None:
        """From now on, this thread's sockets are shown to `deadline`."""
        self.deadline = deadline
        self.opened = False


current_request = CurrentRequest()


class WatchedTlsSocket(ssl.SSLSocket):
    """A TLS socket under watch from its handshake on; for `SSLContext.sslsocket_class`."""

    def do_handshake(self, block: bool = False) -> None:
        """Shake hands. Wrapping has emptied the plain socket that was under watch: this one takes its place."""
        current_request.deadline.watch(self)
        super().do_handshake(block)


class PlainConnection(HTTPConnection):
    """A plain connection under the deadline of the current request."""

    def _new_conn(self) -> socket.socket:
        current_request.opened = True
        try:
            return _open(self._dns_host, self.port, current_request.deadline)
        except OSError as error:
            # As urllib3 wants it: some bare errors it takes for a host that answers before it has read everything.
            raise NewConnectionError(self, "no connection") from error

    def request(self, *args: Any, **kwargs: Any) -> None:
        """Send a request; a kept connection comes under the new deadline first."""
        if self.sock is not None:
            # TLS inside TLS, through a proxy, is no socket: that of the proxy is within.
            current_request.deadline.watch(getattr(self.sock, "socket", self.sock))
        super().request(*args, **kwargs)


class TlsConnection(PlainConnection, HTTPSConnection):
    """The same under TLS; the context says who is trusted, and wraps into a WatchedTlsSocket."""


def _open(host: str, port: int, deadline: Deadline) -> socket.socket:
    """Connect in time, trying every address of the name; the deadline sees each socket before it connects."""
    trouble: OSError | None = None
    for family, kind, protocol, _, where in socket.getaddrinfo(host, port, 0, socket.SOCK_STREAM):
        sock = socket.socket(family, kind, protocol)
        try:
            deadline.watch(sock)
            sock.settimeout(deadline.left())
            sock.connect(where)
            sock.settimeout(deadline.left() + GRACE_SECONDS)
            sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        except OSError as error:
            sock.close()
            trouble = error
            if deadline.expired:
                break
        else:
            return sock
    raise trouble or OSError("the name has no address")
