"""Before every page: is this computer meant, who asks, and may he? After it: what a browser may do with the answer."""

from __future__ import annotations

import base64
import binascii
import hmac
import ipaddress
import logging
import secrets
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from hashlib import sha256
from typing import Any, Literal, cast
from urllib.parse import urlsplit

from flask import Flask, Response, abort, current_app, g, redirect, request, session, url_for
from flask_limiter import Limiter
from werkzeug.datastructures import WWWAuthenticate
from werkzeug.exceptions import Unauthorized

from farmwatch.config import ConfigError
from farmwatch.config.settings import Person, Role
from farmwatch.pages.routes import ROUTES, Route, may
from farmwatch.pages.sessions import Sessions
from farmwatch.pages.source import FarmSource

__all__ = [
    "SHORTEST_TOKEN",
    "Someone",
    "by_token",
    "from_where",
    "limited",
    "new_key",
    "protect",
    "someone",
    "tell_log",
]

_log = logging.getLogger(__name__)

SHORTEST_TOKEN = 20
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
    if request.method not in ("GET", "HEAD") and origin is not None and _host(origin.partition("://")[2]) != host:
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
    farm = cast(FarmSource, current_app.extensions["farm"])
    people = farm.settings().people
    g.someone = _who_asks(people, farm) if people else HERE
    if route is None or route.who == "anyone":
        # No route: Flask says 404 or 405 by itself.
        return None
    who = someone()
    if who is None:
        return _ask_for_name(route)
    if not may(who.role, route.who) or (who.way == "token" and (route.method != "GET" or route.kind != "json")):
        tell_log(logging.WARNING, "page-refused", name=who.name, role=who.role, path=request.path)
        abort(403)
    return None


def _who_asks(people: Mapping[str, Person], farm: FarmSource) -> Someone | None:
    header = request.headers.get("Authorization")
    if header is not None:
        return by_token(header, people)
    name = session.get("id")
    found = cast(Sessions, current_app.extensions["sessions"]).person(str(name), people, farm.clock()) if name else None
    return None if found is None else Someone(name=found.name, role=found.role, way="session")


def _ask_for_name(route: Route) -> Response:
    if route.kind == "json":
        raise Unauthorized(www_authenticate=WWWAuthenticate("bearer", {"realm": "farmwatch"}))
    if request.method == "POST":
        raise Unauthorized
    answer = redirect(url_for("sign_in", next=request.full_path.rstrip("?")), 303)
    assert isinstance(answer, Response)
    return answer


def by_token(header: str, people: Mapping[str, Person]) -> Someone | None:
    """Whose token a request carries, for a program (RFC 6750; RFC 7617 for a calendar); None where nobody's."""
    kind, _, given = header.partition(" ")
    if kind.lower() == "basic":
        given = _password_of(given)
    elif kind.lower() != "bearer":
        return None
    found = None
    for person in people.values():
        if person.token is None:
            continue
        try:
            known = person.token.reveal()
        except ConfigError:
            continue
        # By their digests, and all of them: it takes as long whoever it is.
        same = hmac.compare_digest(sha256(known.encode()).digest(), sha256(given.encode("utf-8", "replace")).digest())
        if same and len(known) >= SHORTEST_TOKEN:
            found = Someone(name=person.name, role=person.role, way="token")
    return found


def _password_of(given: str) -> str:
    try:
        return base64.b64decode(given, validate=True).decode("utf-8").partition(":")[2]
    except (binascii.Error, ValueError):
        return ""


LIMITS = {
    "sign-in": (("6 per 5 minutes", "name"), ("40 per 5 minutes", "address")),
    "asking": (("30 per minute", "address"),),
}
"""How often something may be tried: by the address of the browser, or by that and the name that was typed, so that
nobody is kept out by tries from elsewhere. Of signing in only what was not right counts."""


def limited(limiter: Limiter, limit: str, view: Callable[..., Any]) -> Callable[..., Any]:
    """A view that answers 429 beyond its limits."""
    for often, per in LIMITS[limit]:
        view = limiter.limit(
            often,
            key_func=_from_where_by_name if per == "name" else from_where,
            deduct_when=(lambda answer: answer.status_code == 401) if limit == "sign-in" else None,
        )(view)
    return view


def from_where() -> str:
    """The address of the browser."""
    return request.remote_addr or ""


def _from_where_by_name() -> str:
    return f"{from_where()} {request.form.get('name', '')[:200]}"


def new_key() -> str:
    """A key for one form."""
    return secrets.token_urlsafe(16)


def tell_log(level: int, event: str, **fields: object) -> None:
    """Log what somebody did or tried, with the address of the browser."""
    _log.log(level, event, extra={"fields": {**fields, "browser": request.remote_addr}})


def _seal(answer: Response) -> Response:
    for name, value in _HEADERS.items():
        answer.headers.setdefault(name, value)
    answer.headers.setdefault("Cache-Control", "no-store")
    return answer
