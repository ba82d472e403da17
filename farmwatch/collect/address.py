"""Where a host answers: scheme, host and port of a URL, and nothing else of it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from urllib.parse import urlsplit

__all__ = ["Address"]

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
