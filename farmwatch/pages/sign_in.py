"""Signing in and out; whose password or token is right."""

from __future__ import annotations

import logging
import secrets
import threading
from functools import cache
from urllib.parse import urlsplit

from flask import Response, redirect, request, session, url_for
from werkzeug.security import check_password_hash, generate_password_hash

from farmwatch.config import ConfigError
from farmwatch.config.settings import Person
from farmwatch.pages.app import sessions, source
from farmwatch.pages.guard import someone, tell_log
from farmwatch.pages.look import page

__all__ = ["form", "sign_in", "sign_out", "you"]

LONGEST = 200
# One at a time: each takes 32 MiB and tens of milliseconds.
_checking = threading.Lock()
_NOBODY = "It was not right, or nobody of that name may sign in."


def form() -> Response:
    """The form, unless he is in already."""
    if someone() is not None:
        return _to(_local(request.args.get("next", "")))
    return page("sign_in.html", next=_local(request.args.get("next", "")), name="", fault="")


def sign_in() -> Response:
    """Begin a session, with a new name and nothing of what the browser had before."""
    name, password = request.form.get("name", "")[:LONGEST], request.form.get("password", "")[: LONGEST + 1]
    target = _local(request.form.get("next", ""))
    person = source().settings().people.get(name)
    if not _is_right(person, password):
        tell_log(logging.WARNING, "sign-in-refused", name=name)
        answer = page("sign_in.html", next=target, name=name, fault=_NOBODY)
        answer.status_code = 401
        return answer
    assert person is not None  # as _is_right says
    session.clear()
    session["id"] = sessions().begin(person, source().clock())
    tell_log(logging.INFO, "signed-in", name=name)
    return _to(target)


def you() -> Response:
    """Who one is here, and the way out."""
    return page("you.html")


def sign_out() -> Response:
    """End this session, or all of one's own."""
    who = someone()
    if request.form.get("everywhere") and who is not None:
        sessions().end_all(who.name)
    sessions().end(str(session.get("id", "")))
    session.clear()
    answer = _to(url_for("sign_in"))
    # What the browser has kept of the farm goes too (Clear Site Data, W3C).
    answer.headers["Clear-Site-Data"] = '"cache"'
    return answer


def _is_right(person: Person | None, password: str) -> bool:
    """Whether a password is somebody's; for an unknown name it takes as long to say no."""
    known = _nobodys_hash()
    if person is not None and person.password is not None:
        try:
            known = person.password.reveal()
        except ConfigError as fault:
            tell_log(logging.ERROR, "password-unread", name=person.name, words=str(fault))
            person = None
    try:
        with _checking:
            right = check_password_hash(known, password)
    except ValueError:
        tell_log(logging.ERROR, "password-unread", name=person.name if person else None, words="it holds no hash")
        return False
    return right and person is not None and person.password is not None and len(password) <= LONGEST


@cache
def _nobodys_hash() -> str:
    return generate_password_hash(secrets.token_urlsafe(32), method="scrypt")


def _local(target: str) -> str:
    """An address of these pages to go on to; the fleet where it is another computer's, or none."""
    parts = urlsplit(target) if target.isprintable() and "\\" not in target else None
    if parts is None or parts.scheme or parts.netloc or not target.startswith("/") or target.startswith("//"):
        return url_for("fleet")
    return target


def _to(address: str) -> Response:
    answer = redirect(address, 303)
    assert isinstance(answer, Response)
    return answer
