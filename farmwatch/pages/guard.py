"""Before every page: is this computer meant, who asks, and may he? After it: what a browser may do with the answer."""

from __future__ import annotations

import ipaddress
from dataclasses import dataclass
from typing import Literal, cast
from urllib.parse import urlsplit

from flask import Flask, Response, abort, current_app, g, request

from farmwatch.config.settings import Role
from farmwatch.pages.routes import ROUTES, Route, may
from farmwatch.pages.source import FarmSource

__all__ = ["Someone", "protect", "someone"]

_BY_NAME = {route.name: route for route in ROUTES}
# Nothing from outside, no script or style in the page, no frame around it (Content Security Policy Level 3).
POLICY = (
    "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self'; connect-src 'self'; "
    "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
_HEADERS = {
    "Content-Security-Policy": POLICY,
    "X-Frame-Options": "DENY",
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=(), usb=(), serial=()",
}
# What a proxy adds (RFC 9110 Via, RFC 7239, and common practice).
_BY_PROXY = ("Via", "Forwarded", "X-Forwarded-For")


@dataclass(frozen=True, slots=True, kw_only=True)
class Someone:
    """Who asks. `name` is empty on this computer where the configuration names nobody."""

    name: str
    role: Role
    way: Literal["here", "session", "token"]


HERE = Someone(name="", role="manager", way="here")


def someone() -> Someone | None:
    """Who asks; None where nobody has signed in."""
    return cast("Someone | None", g.get("someone"))


def protect(app: Flask) -> None:
    """Ask these questions before every request."""
    app.before_request(_is_meant)
    app.before_request(_may_ask)
    app.after_request(_seal)


def _is_meant() -> None:
    """Refuse a request that names another computer: a page from elsewhere whose name was made to lead here."""
    farm = cast(FarmSource, current_app.extensions["farm"])
    settings = farm.settings()
    given = request.environ.get("HTTP_HOST")
    if given is None:
        if request.environ.get("SERVER_PROTOCOL") == "HTTP/1.1":
            abort(400)
        given = "localhost"
    host = _host(given)
    if host is None:
        abort(400)
    url = settings.pages.url
    if not (_is_numeric(host) or host == "localhost" or (url and host == urlsplit(url).hostname)):
        abort(421)
    if not settings.people and any(name in request.headers for name in _BY_PROXY):
        # A proxy that nobody told us of would make everybody a manager.
        abort(403)
    origin = request.headers.get("Origin")
    if request.method not in ("GET", "HEAD") and origin is not None and _host(urlsplit(origin).netloc) != host:
        abort(403)


def _host(given: str) -> str | None:
    """The host of a Host header or an origin, in small letters; None where it is none."""
    try:
        parts = urlsplit(f"//{given}")
        _ = parts.port
    except ValueError:
        return None
    if not parts.hostname or parts.netloc != given or "@" in given or parts.path or parts.query or "," in given:
        return None
    return parts.hostname


def _is_numeric(host: str) -> bool:
    try:
        ipaddress.ip_address(host)
    except ValueError:
        return False
    return True


def _may_ask() -> Response | None:
    route = _BY_NAME.get(request.endpoint or "")
    settings = cast(FarmSource, current_app.extensions["farm"]).settings()
    g.someone = HERE if not settings.people else None
    if route is None or route.who == "anyone":
        # No route: Flask says 404 or 405 by itself.
        return None
    return _refusal(route)


def _refusal(route: Route) -> Response | None:
    who = someone()
    if who is None:
        abort(401)
    if not may(who.role, route.who):
        abort(403)
    return None


def _seal(answer: Response) -> Response:
    for name, value in _HEADERS.items():
        answer.headers.setdefault(name, value)
    answer.headers.setdefault("Cache-Control", "no-store")
    return answer
