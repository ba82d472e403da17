"""The time a host gives its mesh: RFC 3339, or epoch seconds or milliseconds."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from farmwatch.text import excerpt

__all__ = ["EARLIEST", "MOST_AHEAD", "believable", "host_time", "why_not_believed"]

EARLIEST = datetime(2015, 1, 1, tzinfo=UTC)
"""An earlier time is a clock that was never set."""
MOST_AHEAD = timedelta(minutes=5)
# 10^11 s is the year 5138, 10^11 ms is 1973: a larger number can only be milliseconds.
FIRST_MILLISECONDS = 1e11


def host_time(value: Any, zone: ZoneInfo | None, form: str | None = None) -> datetime:
    """The time as UTC; ValueError, in words, where it cannot be read.

    `form` is how a text is written, in the letters of `datetime.strptime`; RFC 3339 where it is None. A time without an
    offset is in `zone`; in the hour that autumn repeats, the first of the two is meant.
    """
    if isinstance(value, str):
        return _from_text(value, zone, form)
    if isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value):
        try:
            seconds = value / 1000 if abs(value) >= FIRST_MILLISECONDS else value
            return datetime.fromtimestamp(seconds, UTC)
        except (OverflowError, ValueError, OSError):
            pass
    raise ValueError(f"its time {excerpt(value)!r} cannot be read")


def believable(time: datetime, now: datetime) -> bool:
    """Whether a host's time is neither before 2015 nor more than five minutes ahead."""
    return EARLIEST <= time <= now + MOST_AHEAD


def why_not_believed(time: datetime, now: datetime) -> str:
    """Why a host's time is not taken, in a few words; empty where it is."""
    if believable(time, now):
        return ""
    if time < EARLIEST:
        return f"its time is of {time.year}, a clock never set: counted from when it was seen"
    minutes = (time - now) / timedelta(minutes=1)
    ahead = f"{minutes:.0f} min" if minutes < 60 else f"{minutes / 60:.1f} h"
    ahead = ahead if minutes < 48 * 60 else f"{minutes / 1440:.0f} days"
    return f"its time lies {ahead} ahead: counted from when it was seen"


def _from_text(value: str, zone: ZoneInfo | None, form: str | None) -> datetime:
    try:
        # A week date or an ordinal date is no RFC 3339, and nobody has sent one by intention.
        if form is None and not (value[4:5] == "-" and value[7:8] == "-"):
            raise ValueError
        value = value.strip()
        # Its zone, where the text has none, comes below.
        time = datetime.fromisoformat(value) if form is None else datetime.strptime(value, form)  # noqa: DTZ007  # as the line above says
        if time.tzinfo is not None or zone is not None:
            return (time if time.tzinfo is not None else time.replace(tzinfo=zone)).astimezone(UTC)
    except (ValueError, OverflowError):
        raise ValueError(f"its time {excerpt(value)!r} cannot be read") from None
    raise ValueError(f"its time {excerpt(value)!r} has no offset; say its zone as taken_at_zone")
