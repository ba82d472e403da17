"""The connections under `requests`: urllib3's own, each of which shows its socket to the guard of the request in hand.

urllib3 makes a connection far below the call that wants it, in the same thread, so the request in hand is the thread's.
"""

from __future__ import annotations

import socket
import ssl
import threading
from typing import Any

from urllib3.connection import HTTPConnection, HTTPSConnection
from urllib3.exceptions import NewConnectionError

from farmwatch.collect.watchdog import Guard

__all__ = ["GRACE_SECONDS", "HAND", "PlainConnection", "TlsConnection", "WatchedTlsSocket"]

# The watchdog ends a request; the socket's own timeout stands behind it, should the watchdog ever be late.
GRACE_SECONDS = 1.0


class Hand(threading.local):
    """The request that this thread has in hand: its guard, and whether a connection was opened for it."""

    guard = Guard(0.0)
    opened = False

    def take(self, guard: Guard) -> None:
        """From now on, this thread's sockets are shown to `guard`."""
        self.guard = guard
        self.opened = False


HAND = Hand()


class WatchedTlsSocket(ssl.SSLSocket):
    """A TLS socket under watch from its handshake on; for `SSLContext.sslsocket_class`."""

    def do_handshake(self, block: bool = False) -> None:
        """Shake hands. Wrapping has emptied the plain socket that was under watch: this one takes its place."""
        HAND.guard.watch(self)
        super().do_handshake(block)


class PlainConnection(HTTPConnection):
    """A plain connection under the guard of the request in hand."""

    def _new_conn(self) -> socket.socket:
        HAND.opened = True
        try:
            return _open(self._dns_host, self.port, HAND.guard)
        except OSError as error:
            # As urllib3 wants it: some bare errors it takes for a host that answers before it has read everything.
            raise NewConnectionError(self, "no connection") from error

    def request(self, *args: Any, **kwargs: Any) -> None:
        """Send a request; a kept connection comes under the new guard first."""
        if self.sock is not None:
            # TLS inside TLS, through a proxy, is no socket: that of the proxy is within.
            HAND.guard.watch(getattr(self.sock, "socket", self.sock))
        super().request(*args, **kwargs)


class TlsConnection(PlainConnection, HTTPSConnection):
    """The same under TLS; the context says who is trusted, and wraps into a WatchedTlsSocket."""


def _open(host: str, port: int, guard: Guard) -> socket.socket:
    """Connect within the guard's time, trying every address of the name; the guard sees each socket before that."""
    trouble: OSError | None = None
    for family, kind, protocol, _, where in socket.getaddrinfo(host, port, 0, socket.SOCK_STREAM):
        sock = socket.socket(family, kind, protocol)
        try:
            guard.watch(sock)
            sock.settimeout(guard.left())
            sock.connect(where)
            sock.settimeout(guard.left() + GRACE_SECONDS)
            sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        except OSError as error:
            sock.close()
            trouble = error
            if guard.expired:
                break
        else:
            return sock
    raise trouble or OSError("the name has no address")
