"""Weeks of ISO 8601 in the farm's own time zone, Monday to Sunday, and the week just ended."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, tzinfo

from farmwatch.errors import InputError

__all__ = ["Week", "week_just_ended"]

_WRITTEN = re.compile(r"(\d{4})-W(\d{2})\Z", re.ASCII)


@dataclass(frozen=True, slots=True, order=True)
class Week:
    """A calendar week of ISO 8601: 2026-W47 runs from Monday 16 to Sunday 22 November 2026."""

    year: int
    number: int

    @classmethod
    def read(cls, text: str) -> Week:
        """The week written as 2026-W47; raises InputError for anything else, a 53rd week that is not there included."""
        match = _WRITTEN.match(text.strip())
        try:
            if match is None:
                raise ValueError
            week = cls(int(match[1]), int(match[2]))
            # The first Monday and the Monday after the last Sunday must both be days that exist.
            week.next()
        except (ValueError, OverflowError):
            wanted = "wanted is a year and a week of ISO 8601, such as 2026-W47"
            raise InputError(f"{text!r} is no week; {wanted}") from None
        return week

    @classmethod
    def holding(cls, day: date) -> Week:
        """The week in which a day lies."""
        year, number, _ = day.isocalendar()
        return cls(year, number)

    @property
    def monday(self) -> date:
        """Its first day."""
        return date.fromisocalendar(self.year, self.number, 1)

    @property
    def sunday(self) -> date:
        """Its last day."""
        return date.fromisocalendar(self.year, self.number, 7)

    def next(self) -> Week:
        """The week after."""
        return Week.holding(self.monday + timedelta(days=7))

    def previous(self) -> Week:
        """The week before."""
        return Week.holding(self.monday - timedelta(days=7))

    def start(self, zone: tzinfo) -> datetime:
        """Its first moment, Monday 00:00 farm time, in UTC."""
        return datetime.combine(self.monday, time(), zone).astimezone(UTC)

    def end(self, zone: tzinfo) -> datetime:
        """The first moment after it, the next Monday 00:00 farm time, in UTC."""
        return datetime.combine(self.sunday + timedelta(days=1), time(), zone).astimezone(UTC)

    def __str__(self) -> str:
        return f"{self.year:04d}-W{self.number:02d}"


def week_just_ended(at: datetime, zone: tzinfo) -> Week:
    """The newest week that is over at `at` (aware), farm time: on Monday 00:00 it is the one that ended that moment."""
    return Week.holding(at.astimezone(zone).date()).previous()
