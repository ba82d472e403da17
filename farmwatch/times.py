"""Times between a clock, a file and the database: RFC 3339 text, epoch seconds, epoch microseconds. UTC throughout."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import overload

__all__ = ["BELIEVABLE_FROM", "BELIEVED_AHEAD", "clock_is_set", "from_epoch", "from_micros", "micros", "rfc3339"]

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND = timedelta(microseconds=1)
BELIEVABLE_FROM = datetime(2020, 1, 1, tzinfo=UTC)
"""A clock before this was never set: a board without a battery begins in 1970, or where its image was made."""

BELIEVED_AHEAD = timedelta(hours=2)
"""A clock set back by an hour leaves entries an hour ahead; one further ahead was made by a clock that was wrong."""


def clock_is_set(now: datetime) -> bool:
    """Whether a clock that says `now` (aware) can be believed."""
    return now >= BELIEVABLE_FROM


@overload
def rfc3339(at: datetime, *, exact: bool = False) -> str: ...
@overload
def rfc3339(at: datetime | None, *, exact: bool = False) -> str | None: ...
def rfc3339(at: datetime | None, *, exact: bool = False) -> str | None:
    """An aware time as RFC 3339 text in UTC, ending in "Z": whole seconds, or `exact` to the microsecond it has.

    None stays None, since a time that is not known is null in every document.
    """
    if at is None:
        return None
    text = at.astimezone(UTC).isoformat(timespec="auto" if exact else "seconds")
    return text.replace("+00:00", "Z")


def from_epoch(seconds: float) -> datetime:
    """Seconds since 1970, UTC, as an aware time, to the microsecond."""
    # Not `fromtimestamp`: on some systems it refuses times before 1970.
    return _EPOCH + timedelta(seconds=float(seconds))


def micros(at: datetime) -> int:
    """Microseconds since 1970 of an aware time, exact; raises ValueError for one without an offset."""
    if at.tzinfo is None:
        raise ValueError(f"a time without an offset: {at.isoformat()}")
    return (at - _EPOCH) // _MICROSECOND


def from_micros(number: int) -> datetime:
    """Whole microseconds since 1970, UTC, as an aware time, without rounding."""
    return _EPOCH + timedelta(microseconds=int(number))
