"""What every command shares: the configuration, read once and only when it is needed, and times as people type them.

A time is RFC 3339 or the farm's own clock; what could mean two things, as the clocks go back, is refused.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import click

from farmwatch.errors import InputError

if TYPE_CHECKING:
    from farmwatch.config import Settings
    from farmwatch.judge import FleetAssessment
    from farmwatch.model import Model
    from farmwatch.store import Store

__all__ = ["App", "pass_app", "read_day", "read_moment"]


class App:
    """The farm that a command line speaks of."""

    def __init__(self, config: Path | None = None) -> None:
        self.config = config

    @cached_property
    def settings(self) -> Settings:
        """The checked configuration; raises ConfigError."""
        from farmwatch.config import load_settings

        return load_settings(self.config)

    @cached_property
    def store(self) -> Store:
        """The farm's database; raises StoreError where it is used."""
        from farmwatch.store import Store

        return Store(self.settings.farm.database)

    def model(self, machine: str) -> Model:
        """The model of a machine of the configuration, by its exact name."""
        return self._models[machine]

    @cached_property
    def _models(self) -> dict[str, Model]:
        return {machine.name: self.settings.models[machine.model] for machine in self.settings.machines}

    def now(self) -> datetime:
        """The time of the command, UTC."""
        return datetime.now(UTC)

    def moment(self, text: str | None) -> datetime:
        """A time as typed, or now; raises InputError."""
        return self.now() if text is None else read_moment(text, self.settings.farm.timezone)

    def failing_deliveries(self) -> str:
        """What letters cannot be delivered for an hour or longer, in a line; empty where none, or nobody has looked.

        Only a command that has been in the database looks there once more.
        """
        from farmwatch.store import StoreError

        if "store" not in self.__dict__ or not self.store.path.exists():
            return ""
        from farmwatch.text import clock, count

        try:
            found = self.store.failing_deliveries(self.now())
        except StoreError:
            return ""
        if found is None:
            return ""
        since = clock(found.since, self.settings.farm.timezone)
        return (
            f"{count(found.number, 'letter')} cannot be delivered, since {since}: {found.fault}; "
            "see: farmwatch ticket deliveries"
        )

    def assess(self, at: datetime, names: list[str] | None = None, jobs: int = 1) -> FleetAssessment:
        """What farmwatch says of the farm, or of some of its machines (each known by name), at a time."""
        from farmwatch.assess import assess

        known = None if names is None else [self.settings.machine(name).name for name in names]
        return assess(self.settings, self.store, at, known, jobs=jobs)

    def fleet(self) -> FleetAssessment:
        """The farm now, of each machine what its line shows; what the service judged already is not judged again."""
        from farmwatch.service import fleet_now

        return fleet_now(self.settings, self.store, self.now(), _assess)


def _assess(settings: Settings, store: Store, at: datetime, names: Sequence[str] | None) -> FleetAssessment:
    from farmwatch.assess import assess

    return assess(settings, store, at, names)


pass_app = click.make_pass_decorator(App)


_MOMENT = re.compile(
    r"(?P<day>\d{4}-\d{2}-\d{2})[Tt ](?P<clock>\d{2}:\d{2}(:\d{2}(\.\d{1,6})?)?)(?P<offset>[Zz]|[+-]\d{2}:\d{2})?"
)
# As `text.clock` writes it on every screen, so that a time can be copied from one.
_SHOWN = re.compile(
    r"(?:[A-Z][a-z]{2} )?(?P<day>\d{1,2}) (?P<month>[A-Z][a-z]{2}) (?P<year>\d{4}),? (?P<clock>\d{2}:\d{2})"
)
# Beyond these a clock is wrong, and sums of dates run over.
FIRST_YEAR, LAST_YEAR = 2000, 2100
_DAY = re.compile(r"\d{4}-\d{2}-\d{2}")
_EXAMPLES = 'such as 2026-11-23T06:00:00Z, or "2026-11-23 06:00" for farm time'


def read_moment(text: str, zone: ZoneInfo) -> datetime:
    """A time, UTC. Without an offset it is the farm's; raises InputError where it is none, or could be two."""
    text = _as_typed(text.strip())
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


def _as_typed(text: str) -> str:
    """A time that was copied from a screen as one types it; any other text as it is."""
    from farmwatch.text import MONTHS

    shown = _SHOWN.fullmatch(text)
    if shown is None or shown["month"] not in MONTHS:
        return text
    return f"{shown['year']}-{MONTHS.index(shown['month']) + 1:02d}-{int(shown['day']):02d} {shown['clock']}"


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
