"""Times as the database holds them: whole microseconds since 1970-01-01 UTC."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

__all__ = ["from_micros", "micros"]

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND = timedelta(microseconds=1)


def micros(at: datetime) -> int:
    """Microseconds since the epoch of an aware datetime; raises ValueError for one without an offset."""
    if at.tzinfo is None:
        raise ValueError(f"a time without an offset: {at.isoformat()}")
    return (at - _EPOCH) // _MICROSECOND


def from_micros(value: int) -> datetime:
    """The aware UTC datetime of whole microseconds since the epoch, without rounding."""
    return _EPOCH + timedelta(microseconds=int(value))
