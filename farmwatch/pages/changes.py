"""Every change that a page makes, in one way: entered before it is done, done once, and told.

A form carries a key; a second press of it (a double tap, a reload, a page of yesterday) finds the key used and is told
what came of the first. Who, from where, what and the outcome stand in `page_changes` and in the log.
"""

from __future__ import annotations

import logging
import re
from collections.abc import Callable
from datetime import date, datetime, time, timedelta

from flask import Response, flash, g, redirect, request, session

from farmwatch.errors import InputError
from farmwatch.pages.app import source
from farmwatch.pages.guard import someone, tell_log
from farmwatch.store import StoreError
from farmwatch.store.records import PageChange
from farmwatch.tickets.steps import line

__all__ = ["by", "change", "day_to_come", "typed"]

_KEY = re.compile(r"[A-Za-z0-9_-]{16,64}")
LONGEST_NAME = 80


def typed(field: str, called: str, *, needed: bool = False) -> str:
    """A line of the form; raises InputError for more than a line, or for none where one is needed."""
    said = line(request.form.get(field, ""), called)
    if needed and not said:
        raise InputError(f"{called} is empty; it stays on record, so say it")
    return said


def by() -> str:
    """Who does it: whoever is signed in; on this computer without people, the name in the form, which it remembers."""
    who = someone()
    if who is not None and who.name:
        return who.name
    name = typed("by", "Your name", needed=True)
    if len(name) > LONGEST_NAME:
        raise InputError(f"Your name: at most {LONGEST_NAME} characters")
    session["by"] = name
    return name


def day_to_come(field: str) -> datetime | None:
    """A day of the form as its first moment on the farm; None where none is given. Raises InputError."""
    text, farm = request.form.get(field, "").strip(), source()
    if not text:
        return None
    try:
        day = date.fromisoformat(text)
    except ValueError:
        raise InputError("Until: wanted a day, such as 2027-03-01") from None
    end = datetime.combine(day, time(), farm.settings().farm.timezone)
    if not farm.clock() < end < farm.clock() + timedelta(days=3660):
        raise InputError("Until: wanted a day to come, within ten years")
    return end


def change(what: str, about: str, do: Callable[[str], str], back: str) -> Response:
    """Do it once and go `back`; `do` gets who does it and returns what was done in a sentence.

    what: in one or two words, for the record. about: the ticket or machine.
    """
    key = request.form.get("once", "")
    if not _KEY.fullmatch(key):
        raise InputError("the form is not whole; open its page anew")
    g.back = back
    who, store = someone(), source().store
    assert who is not None  # guarded
    name = by()
    entered = PageChange(
        key=key, at=source().clock(), who=name, role=who.role, from_where=request.remote_addr or "", what=what,
        about=about,
    )  # fmt: skip
    earlier = store.begin_change(entered)
    if earlier is not None:
        return _told_again(earlier, back)
    try:
        done = do(name)
    except InputError as refusal:
        _finish(key, f"refused: {refusal}", logging.WARNING, entered)
        raise
    except StoreError as fault:
        _finish(key, f"failed: {fault}", logging.ERROR, entered)
        raise
    _finish(key, done, logging.INFO, entered)
    source().changed()
    flash(done)
    return _to(back)


def _told_again(earlier: PageChange, back: str) -> Response:
    if earlier.outcome is None:
        flash("That was asked for already and is being done; what stands here is what came of it so far.")
    else:
        flash(f"That was pressed before and is not done twice. What came of it: {earlier.outcome}")
    return _to(back)


def _finish(key: str, outcome: str, level: int, entered: PageChange) -> None:
    try:
        source().store.finish_change(key, outcome)
    except StoreError as fault:
        tell_log(logging.ERROR, "change-unentered", key=key, words=str(fault))
    tell_log(
        level, "page-change", by=entered.who, role=entered.role, what=entered.what, about=entered.about, outcome=outcome
    )


def _to(address: str) -> Response:
    answer = redirect(address, 303)
    assert isinstance(answer, Response)
    return answer
