"""How a page looks: templates with the words they need, the style sheet, and what stands in every head."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from hashlib import sha256
from importlib.resources import files
from typing import Any

from flask import (
    Flask,
    Response,
    abort,
    current_app,
    get_flashed_messages,
    make_response,
    render_template,
    request,
    session,
    url_for,
)
from jinja2 import StrictUndefined
from markupsafe import Markup, escape

from farmwatch.judge import CAUTIONS, CAUTIONS_FOOT
from farmwatch.judge.words import advice_phrase, cause_phrase
from farmwatch.pages import words
from farmwatch.pages.guard import new_key, someone
from farmwatch.pages.routes import ROUTES, may
from farmwatch.report.shared import SHEET_CAUTIONS, marks, style_sheet, whole
from farmwatch.text import ago, clock, count, day, day_of, joined, mm, sanitize, shortened, signed, spaced

__all__ = ["dress", "page", "style"]

_WHO = {route.name: route.who for route in ROUTES}
_KINDS = {"css": "text/css; charset=utf-8", "js": "text/javascript; charset=utf-8", "svg": "image/svg+xml"}


def dress(app: Flask) -> None:
    """Give the application's templates their words."""
    environment = app.jinja_env
    environment.undefined = StrictUndefined
    environment.finalize = _fit
    environment.trim_blocks = environment.lstrip_blocks = True
    environment.filters.update(
        mm=mm,
        signed=signed,
        spaced=spaced,
        joined=joined,
        whole=whole,
        short=_short,
        minutes=words.minutes,
        lines_kept=_lines_kept,
    )
    environment.globals.update(
        marks=marks(),
        cautions=CAUTIONS,
        foot=CAUTIONS_FOOT,
        short_cautions=SHEET_CAUTIONS,
        may=_may,
        asset=_asset,
        someone=someone,
        new_key=new_key,
        count=count,
        clock=clock,
        day=day,
        day_of=day_of,
        ago=ago,
        advice_phrase=advice_phrase,
        cause_phrase=cause_phrase,
        words=words,
    )
    app.context_processor(_head)


def page(template: str, key: str | None = None, /, **values: Any) -> Response:
    """A page from its template.

    key: what it was made of; with it the browser may keep the page and ask whether it is still so (RFC 9110, ETag). A
    page with a form has none.
    """
    if key is None:
        return make_response(render_template(template, **values))
    who = someone()
    tag = sha256(f"{key} {who} {request.full_path} {_version()}".encode()).hexdigest()[:32]
    if tag in request.if_none_match:
        answer = Response(status=304)
    else:
        answer = make_response(_kept(tag, lambda: render_template(template, **values)))
    answer.set_etag(tag)
    answer.headers["Cache-Control"] = "private, no-cache"
    answer.headers["Vary"] = "Cookie"
    return answer


_PAGES_KEPT = 32


def _kept(tag: str, make: Callable[[], str]) -> str:
    """The page of that tag, made once; the newest few are kept."""
    pages: dict[str, str] = current_app.extensions.setdefault("pages kept", {})
    found = pages.get(tag)
    if found is None:
        pages[tag] = found = make()
        while len(pages) > _PAGES_KEPT:
            pages.pop(next(iter(pages)), None)
    return found


def style(name: str) -> Response:
    """The style sheet or the script, by a name that changes with it, so that a browser may keep it for good."""
    stem, _, kind = name.rpartition(".")
    known = _assets()
    found = known.get(f"{stem.partition('-')[0]}.{kind}")
    if found is None or kind not in _KINDS:
        abort(404)
    answer = Response(found, content_type=_KINDS[kind])
    answer.headers["Cache-Control"] = "public, max-age=31536000, immutable"
    return answer


def _asset(name: str) -> str:
    stem, _, kind = name.rpartition(".")
    return url_for("style", name=f"{stem}-{sha256(_assets()[name]).hexdigest()[:12]}.{kind}")


@cache
def _assets() -> dict[str, bytes]:
    folder = files("farmwatch.pages") / "static"
    sheet = style_sheet() + "\n" + (folder / "pages.css").read_text(encoding="utf-8")
    plain = {name: (folder / name).read_bytes() for name in ("pages.js", "mark.svg")}
    return {"pages.css": sheet.encode(), **plain}


@cache
def _version() -> str:
    return sha256(b"".join(_assets().values())).hexdigest()


def _head() -> dict[str, Any]:
    farm = current_app.extensions["farm"]
    settings = farm.settings()
    return {
        "farm": settings.farm.name,
        "zone": settings.farm.timezone,
        "problems": farm.problems() if someone() is not None else (),
        "said": get_flashed_messages() if someone() is not None else [],
        "by": session.get("by", ""),
    }


def _may(name: str) -> bool:
    who = someone()
    return who is not None and may(who.role, _WHO[name])


def _short(name: str) -> str:
    return shortened(name, 20)


def _lines_kept(text: str) -> Markup:
    """Text of several lines, each made plain."""
    return Markup("\n").join(escape(sanitize(line)) for line in text.splitlines())


def _fit(value: object) -> object:
    """Foreign text loses what could steer a screen; escaping comes after."""
    return sanitize(value) if isinstance(value, str) and not isinstance(value, Markup) else value
