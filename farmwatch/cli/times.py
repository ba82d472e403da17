"""Times as people type them: RFC 3339, or the farm's own clock; what could mean two things is refused."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from farmwatch.errors import InputError

__all__ = ["read_day", "read_moment"]

_MOMENT = re.compile(
    r"(?P<day>\d{4}-\d{2}-\d{2})[Tt ](?P<clock>\d{2}:\d{2}(:\d{2}(\.\d{1,6})?)?)(?P<offset>[Zz]|[+-]\d{2}:\d{2})?"
)
# Beyond these a clock is wrong, and sums of dates run over.
FIRST_YEAR, LAST_YEAR = 2000, 2100
_DAY = re.compile(r"\d{4}-\d{2}-\d{2}")
_EXAMPLES = 'such as 2026-11-23T06:00:00Z, or "2026-11-23 06:00" for farm time'


def read_moment(text: str, zone: ZoneInfo) -> datetime:
    """A time, UTC. Without an offset it is the farm's; raises InputError where it is none, or could be two."""
    text = text.strip()
    if _DAY.fullmatch(text):
        raise InputError(f"{text} is a day; wanted a time too, {_EXAMPLES}")
    match = _MOMENT.fullmatch(text)
    if match is None:
        raise InputError(f"{text!r} is no time; wanted one {_EXAMPLES}")
    offset = (match["offset"] or "").upper().replace("Z", "+00:00")
    try:
        moment = datetime.fromisoformat(f"{match['day']}T{match['clock']}{offset}")
    except ValueError as error:
        raise InputError(f"{text!r} is no time: {error}") from None
    if not FIRST_YEAR <= moment.year <= LAST_YEAR:
        raise InputError(f"{text!r} is not a time of any farm; wanted a year from {FIRST_YEAR} to {LAST_YEAR}")
    return moment.astimezone(UTC) if offset else _farm_time(moment, zone, text)


def read_day(text: str, zone: ZoneInfo) -> datetime:
    """A day (its first moment on the farm) or a time, UTC; raises InputError."""
    text = text.strip()
    return read_moment(f"{text} 00:00" if _DAY.fullmatch(text) else text, zone)


def _farm_time(moment: datetime, zone: ZoneInfo, text: str) -> datetime:
    """A time of the farm's clock, checked against the two nights on which the clock is moved."""
    first, second = (moment.replace(tzinfo=zone, fold=fold).astimezone(UTC) for fold in (0, 1))
    if first == second:
        return first
    if first.astimezone(zone).replace(tzinfo=None) != moment:
        raise InputError(f"{text} does not exist in {zone.key}: the clock was put forward over it")
    either = " or ".join(f"{text}{_offset(instant, zone)}" for instant in (first, second))
    raise InputError(f"{text} came twice in {zone.key}, as the clock was put back; say which: {either}")


def _offset(instant: datetime, zone: ZoneInfo) -> str:
    minutes = (instant.astimezone(zone).utcoffset() or timedelta()) // timedelta(minutes=1)
    return f"{'-' if minutes < 0 else '+'}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}"
