"""The `requests` session that a fetcher asks with: a pool as large as the farm, our connections, our rule of trust.

What it does otherwise than a plain session: no redirect is looked into (a plain one reads a redirect's body whole, and
unbounded, even where it may not follow); no cookie is kept; TLS trusts the system's authorities and the farm's own, not
a list that came with a package; nothing is logged, since urllib3's warnings name whole URLs, query and all.
"""

from __future__ import annotations

import logging
import ssl
import threading
from http.cookiejar import DefaultCookiePolicy
from pathlib import Path
from typing import Any

import requests
from requests.adapters import HTTPAdapter
from requests.exceptions import InvalidProxyURL
from requests.utils import resolve_proxies
from urllib3 import HTTPConnectionPool, HTTPSConnectionPool, PoolManager

from farmwatch.collect.connection import PlainConnection, TlsConnection, WatchedTlsSocket
from farmwatch.errors import FarmwatchError

__all__ = ["FarmSession", "tls_context"]

# Through a proxy all hosts share its one pool: as many connections as may be asked over at once.
MOST_TO_A_PROXY = 64


class FarmSession(requests.Session):
    """A session that any number of threads may send by, as long as they change nothing of it.

    `room` is how many addresses keep their connection; `ca_file` (PEM) is trusted beside the system's authorities.
    Raises FarmwatchError where that file cannot be read.
    """

    def __init__(self, room: int, ca_file: Path | None, *, trust_env: bool) -> None:
        super().__init__()
        logging.getLogger("urllib3").setLevel(logging.CRITICAL)
        self.trust_env = trust_env
        self.cookies.set_policy(DefaultCookiePolicy(allowed_domains=()))
        adapter = _FarmAdapter(room, ca_file, most_to_a_proxy=MOST_TO_A_PROXY if trust_env else 1)
        for scheme in ("http://", "https://"):
            self.mount(scheme, adapter)

    def ask(self, request: requests.PreparedRequest, timeout: float) -> requests.Response:
        """Send a prepared request by the adapter, the body still unread; by a proxy only where `trust_env` is on."""
        proxies = resolve_proxies(request, {}, trust_env=True) if self.trust_env else {}
        adapter = self.get_adapter(request.url or "")
        return adapter.send(request, stream=True, timeout=timeout, verify=True, proxies=proxies)

    def get_redirect_target(self, resp: requests.Response) -> str | None:  # noqa: ARG002  # the name is requests' own
        """None: the fetcher reads Location itself, by its own rule."""
        return None


class _PlainPool(HTTPConnectionPool):
    ConnectionCls = PlainConnection


class _TlsPool(HTTPSConnectionPool):
    ConnectionCls = TlsConnection


class _FarmAdapter(HTTPAdapter):
    def __init__(self, room: int, ca_file: Path | None, *, most_to_a_proxy: int) -> None:
        self._ca_file = ca_file
        self._lock = threading.Lock()
        self._context = tls_context(ca_file) if ca_file else None
        super().__init__(pool_connections=room, pool_maxsize=most_to_a_proxy)

    def init_poolmanager(self, *args: Any, **kwargs: Any) -> None:
        super().init_poolmanager(*args, **kwargs)
        _use_our_pools(self.poolmanager)

    def proxy_manager_for(self, proxy: str, **kwargs: Any) -> Any:
        if not proxy.lower().startswith(("http://", "https://")):
            raise InvalidProxyURL
        with self._lock:
            known = self.proxy_manager.get(proxy)
        if known is not None:
            return known
        context = self._tls() if proxy.lower().startswith("https:") else None
        with self._lock:
            manager = super().proxy_manager_for(proxy, proxy_ssl_context=context, **kwargs)
            _use_our_pools(manager)
            return manager

    def build_connection_pool_key_attributes(self, *args: Any, **kwargs: Any) -> Any:
        host, pool = super().build_connection_pool_key_attributes(*args, **kwargs)
        return host, {**pool, "ssl_context": self._tls()} if host["scheme"] == "https" else pool

    def build_response(self, req: requests.PreparedRequest, resp: Any) -> requests.Response:
        """The response without what nobody reads of it: a jar of cookies, an encoding, the original's copies."""
        response = requests.Response()
        response.status_code = resp.status
        response.headers = resp.headers
        response.raw, response.request, response.url = resp, req, req.url or ""
        return response

    def cert_verify(self, conn: Any, *_: Any, **__: Any) -> None:
        """Verify always, by the context alone: the original would add the list of the certifi package to it."""
        conn.cert_reqs = "CERT_REQUIRED"

    def close(self) -> None:
        """Close every pool, now: left to itself a pool closes when nobody refers to it any more."""
        for manager in (self.poolmanager, *self.proxy_manager.values()):
            for key in manager.pools.keys():  # noqa: SIM118  # it refuses to be iterated over
                pool = manager.pools.get(key)
                if pool is not None:
                    pool.close()
        super().close()

    def _tls(self) -> ssl.SSLContext:
        # Made when first wanted: reading the system's authorities costs more than a whole poll of a small farm.
        with self._lock:
            if self._context is None:
                self._context = tls_context(self._ca_file)
            return self._context


def tls_context(ca_file: Path | None) -> ssl.SSLContext:
    """A context that trusts the system's authorities and those of `ca_file`; FarmwatchError where it cannot be read."""
    context = ssl.create_default_context()
    context.sslsocket_class = WatchedTlsSocket
    if ca_file is not None:
        try:
            context.load_verify_locations(ca_file)
        except (OSError, ssl.SSLError):
            raise FarmwatchError(f"ca_file {ca_file} cannot be read as a file of PEM certificates") from None
    return context


def _use_our_pools(manager: PoolManager) -> None:
    manager.pool_classes_by_scheme = {"http": _PlainPool, "https": _TlsPool}
