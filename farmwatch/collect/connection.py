"""One connection to one address, plain or TLS, every step of it under a guard; directly or through a proxy."""

from __future__ import annotations

import base64
import http.client
import select
import socket
import ssl
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from types import MappingProxyType
from urllib.parse import unquote, urlsplit
from urllib.request import getproxies_environment, proxy_bypass

from farmwatch.collect.watchdog import Guard

__all__ = ["Address", "GuardedConnection", "TlsConnection", "connection_to"]

DEFAULT_PORTS = {"http": 80, "https": 443}
# The watchdog ends a request; the socket's own timeout stands behind it, should the watchdog ever be late.
GRACE_SECONDS = 1.0


@dataclass(frozen=True, slots=True)
class Address:
    """Where a host answers."""

    scheme: str
    host: str
    port: int

    @classmethod
    def of(cls, url: str) -> Address:
        """The address within a URL; raises ValueError where there is none."""
        parts = urlsplit(url)
        return _address(parts.scheme, parts.netloc)

    def __str__(self) -> str:
        host = f"[{self.host}]" if ":" in self.host else self.host
        port = "" if self.port == DEFAULT_PORTS[self.scheme] else f":{self.port}"
        return f"{self.scheme}://{host}{port}"


@lru_cache(maxsize=4096)
def _address(scheme: str, place: str) -> Address:
    if scheme not in DEFAULT_PORTS:
        raise ValueError(f"wants http:// or https://, got {scheme or 'neither'}")
    parts = urlsplit(f"{scheme}://{place}")
    if not parts.hostname:
        raise ValueError("names no host")
    return Address(scheme, parts.hostname, parts.port or DEFAULT_PORTS[scheme])


class GuardedConnection(http.client.HTTPConnection):
    """A plain connection; set `guard` before every request."""

    guard: Guard
    served = 0
    """Requests answered on it so far."""
    prefix = ""
    """What stands before the path in a request: a plain proxy wants the whole URL."""
    proxy_headers: Mapping[str, str] = MappingProxyType({})

    def connect(self) -> None:
        """Connect within the guard's time, trying every address of the name."""
        self.sock = _open(self.host, self.port, self.guard)
        if getattr(self, "_tunnel_host", None):
            self._tunnel()  # type: ignore[attr-defined]  # http.client's own step, missing from its stubs

    def renew(self, guard: Guard) -> None:
        """Take the guard of the next request."""
        self.guard = guard
        if self.sock is not None:
            self.sock.settimeout(guard.left() + GRACE_SECONDS)
            guard.watch(self.sock)

    def gone(self) -> bool:
        """Whether the host has closed an idle connection (or sent what nobody asked for)."""
        if self.sock is None:
            return True
        watch = select.poll()
        watch.register(self.sock, select.POLLIN)
        return bool(watch.poll(0))


class TlsConnection(GuardedConnection):
    """A TLS connection, certificate and name verified."""

    context: ssl.SSLContext
    server_name: str

    def connect(self) -> None:
        """Connect, then shake hands, both within the guard's time."""
        super().connect()
        # Wrapping empties the socket it is given, so hands are shaken apart, with the new one under watch.
        tls = self.context.wrap_socket(self.sock, server_hostname=self.server_name, do_handshake_on_connect=False)
        self.sock = tls
        self.guard.watch(tls)
        try:
            tls.do_handshake()
        except BaseException:
            self.close()
            raise


def connection_to(address: Address, context: ssl.SSLContext | None, *, trust_env: bool) -> GuardedConnection:
    """A connection not yet opened; with `trust_env` through the proxy that the environment names, if any."""
    proxy = _proxy_for(address) if trust_env else None
    host, port = (proxy.host, proxy.port) if proxy else (address.host, address.port)
    if address.scheme == "http":
        plain = GuardedConnection(host, port)
        if proxy:
            plain.prefix, plain.proxy_headers = str(address), _proxy_headers(address)
        return plain
    if context is None:
        raise ValueError("a TLS connection wants a context")
    tls = TlsConnection(host, port)
    tls.context, tls.server_name = context, address.host
    if proxy:
        tls.set_tunnel(address.host, address.port, headers=_proxy_headers(address))
    return tls


def _open(host: str, port: int, guard: Guard) -> socket.socket:
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


def _proxy_for(address: Address) -> Address | None:
    proxy = getproxies_environment().get(address.scheme)
    if not proxy or proxy_bypass(address.host):
        return None
    return Address.of(proxy if "://" in proxy else f"http://{proxy}")


def _proxy_headers(address: Address) -> dict[str, str]:
    proxy = urlsplit(getproxies_environment().get(address.scheme, ""))
    if proxy.username is None:
        return {}
    pair = f"{unquote(proxy.username)}:{unquote(proxy.password or '')}".encode()
    return {"Proxy-Authorization": "Basic " + base64.b64encode(pair).decode()}
