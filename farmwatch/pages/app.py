"""The application: the table of routes made into Flask, and what stands around every page.

Around every request stands `guard` (who asks, by which name of this computer, by what right) and `look` (templates and
their words). The farm's source hangs on the application; `source()` gives it to the pages.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from importlib import import_module
from typing import Any, cast

from flask import Flask, Response, current_app, g, render_template, request
from flask_limiter import Limiter
from flask_wtf.csrf import CSRFError, CSRFProtect
from werkzeug.exceptions import HTTPException
from werkzeug.routing import BaseConverter

from farmwatch.errors import FarmwatchError, InputError
from farmwatch.pages import guard, look
from farmwatch.pages.benches import Benches
from farmwatch.pages.read import Reader
from farmwatch.pages.routes import ROUTES, Route
from farmwatch.pages.serving import LARGEST_BODY, PROBLEM, problem_body
from farmwatch.pages.sessions import LASTS, Sessions
from farmwatch.pages.source import FarmSource
from farmwatch.store import StoreError

__all__ = ["make_app", "reader", "sessions", "source"]

_log = logging.getLogger(__name__)
_BY_NAME = {route.name: route for route in ROUTES}


def make_app(farm: FarmSource) -> Flask:
    """The pages of a farm as a WSGI application."""
    app = Flask("farmwatch.pages", static_folder=None, template_folder="template")
    app.config.update(
        MAX_CONTENT_LENGTH=LARGEST_BODY,
        MAX_FORM_MEMORY_SIZE=LARGEST_BODY,
        MAX_FORM_PARTS=200,
        PROVIDE_AUTOMATIC_OPTIONS=False,
        TRAP_HTTP_EXCEPTIONS=False,
    )
    settings = farm.settings()
    secure = settings.service.certificate is not None or settings.service.behind_proxy
    found = Sessions(settings.farm.database.with_name(f"{settings.farm.database.name}.pages"))
    app.config.update(
        SECRET_KEY=found.key,
        # A name that a browser takes from this computer alone, over TLS (RFC 6265bis, 4.1.3.2).
        SESSION_COOKIE_NAME="__Host-farmwatch" if secure else "farmwatch",
        SESSION_COOKIE_SECURE=secure,
        SESSION_COOKIE_HTTPONLY=True,
        SESSION_COOKIE_SAMESITE="Lax",
        WTF_CSRF_TIME_LIMIT=int(LASTS.total_seconds()),
        # The origin is checked by `guard`; a browser that sends no Referer may still press a button.
        WTF_CSRF_SSL_STRICT=False,
    )
    app.extensions["farm"] = farm
    app.extensions["sessions"] = found
    app.extensions["reader"] = Reader(farm)
    app.extensions["benches"] = Benches(farm)
    app.url_map.converters["machine"] = MachineName
    guard.protect(app)
    # After the guard: who may not press a button is told that, whatever form he brings.
    CSRFProtect(app)
    limiter = Limiter(guard.from_where, app=app, storage_uri="memory://", headers_enabled=False)
    look.dress(app)
    for route in ROUTES:
        view = _view(route)
        if route.limit:
            view = guard.limited(limiter, route.limit, view)
        app.add_url_rule(route.rule, route.name, view, methods=[route.method])
    app.register_error_handler(CSRFError, _stale_told)
    app.register_error_handler(HTTPException, _told)
    app.register_error_handler(StoreError, _store_told)
    app.register_error_handler(FarmwatchError, _refusal_told)
    app.register_error_handler(Exception, _bug_told)
    return app


def take_up_benches(app: Flask) -> None:
    """Take up the guided realignments that this service was at when it ended a moment ago."""
    cast(Benches, app.extensions["benches"]).resume()


def end_benches(app: Flask) -> None:
    """End those that go on; they are taken up again by the next start."""
    cast(Benches, app.extensions["benches"]).close()


def source() -> FarmSource:
    """The farm that this request is about."""
    return cast(FarmSource, current_app.extensions["farm"])


def sessions() -> Sessions:
    """Who is signed in."""
    return cast(Sessions, current_app.extensions["sessions"])


def reader() -> Reader:
    """What the pages have read of it."""
    return cast(Reader, current_app.extensions["reader"])


class MachineName(BaseConverter):
    """A machine's name as one piece of an address: "/" and "~" as in RFC 6901, a name of dots so that it stays one."""

    regex = "[^/]+"

    def to_python(self, value: str) -> str:
        """The name."""
        return value.replace("~2", ".").replace("~1", "/").replace("~0", "~")

    def to_url(self, value: Any) -> str:
        """Its place in an address."""
        text = str(value).replace("~", "~0").replace("/", "~1")
        return super().to_url(text.replace(".", "~2") if set(text) == {"."} else text)


def _view(route: Route) -> Callable[..., Any]:
    module, _, function = route.view.partition(":")
    return cast(Callable[..., Any], getattr(import_module(f"farmwatch.pages.{module}"), function))


# What goes wrong


def _told(fault: HTTPException) -> Response:
    answer = tell(fault.code or 500, _WORDS.get(fault.code or 500, fault.description or ""))
    for name, value in fault.get_headers():
        if name in ("Allow", "Retry-After", "WWW-Authenticate"):
            answer.headers[name] = value
    return answer


def _stale_told(_fault: Exception) -> Response:
    guard.tell_log(logging.WARNING, "form-refused", path=request.path)
    return tell(403, "This form is too old, or was not given out by these pages; nothing was done. Open its page anew.")


def _store_told(fault: Exception) -> Response:
    return tell(503, f"{fault}. Nothing was changed.")


def _refusal_told(fault: Exception) -> Response:
    return tell(404 if isinstance(fault, InputError) and request.method in ("GET", "HEAD") else 409, str(fault))


def _bug_told(fault: Exception) -> Response:
    _log.error("page-failed", exc_info=fault, extra={"fields": {"path": request.path, "method": request.method}})
    return tell(500, "A bug in farmwatch; its log tells where.")


def tell(status: int, words: str) -> Response:
    """A page, or problem details (RFC 9457) where a program asks, that says what is wrong."""
    route = _BY_NAME.get(request.endpoint or "")
    if (route and route.kind == "json") or request.path.startswith(("/health", "/metrics", "/api")):
        # The two that need no name say no more than their status.
        detail = words if request.path.startswith("/api") else ""
        return Response(problem_body(status, detail), status, content_type=PROBLEM)
    again = status == 503 and request.method == "POST"
    typed = [(name, value) for name, value in request.form.items() if name not in _OF_THE_FORM]
    page = render_template(
        "told.html", status=status, words=words, back=g.get("back"), again=again, typed=typed, key=guard.new_key()
    )
    return Response(page, status)


# Fields of a form that nobody types; the password is never shown again.
_OF_THE_FORM = {"csrf_token", "once", "revision", "password", "next"}


_WORDS = {
    400: "This request cannot be understood.",
    401: "Sign in first; nothing was done.",
    403: "You may not do this.",
    404: "There is nothing at this address.",
    405: "Nothing can be done at this address in that way.",
    413: "Too much at once: at most 64 KiB are taken.",
    429: "Too many tries from here; wait a few minutes. Nobody else is kept out by that.",
    421: "This computer does not go by that name; use the address in [pages] url, or a numeric one.",
    500: "A bug in farmwatch; its log tells where.",
}
