"""What every command shares: the configuration, read once and only when it is needed, and what hangs on it."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from farmwatch.config import Settings
    from farmwatch.judge.assessment import FleetAssessment
    from farmwatch.store import Store

__all__ = ["App", "pass_app"]


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

    def now(self) -> datetime:
        """The time of the command, UTC."""
        return datetime.now(UTC)

    def moment(self, text: str | None) -> datetime:
        """A time as typed, or now; raises InputError."""
        from farmwatch.cli.times import read_moment

        return self.now() if text is None else read_moment(text, self.settings.farm.timezone)

    def assess(self, at: datetime, names: list[str] | None = None) -> FleetAssessment:
        """What farmwatch says of the farm, or of some of its machines (each known by name), at a time."""
        from farmwatch.assess import assess

        known = None if names is None else [self.settings.machine(name).name for name in names]
        return assess(self.settings, self.store, at, known)

    def fleet(self) -> FleetAssessment:
        """The farm now, of each machine what its line shows; what the service judged already is not judged again."""
        from farmwatch.service.fleet_cache import fleet_now

        return fleet_now(self.settings, self.store, self.now(), _assess)


def _assess(settings: Settings, store: Store, at: datetime, names: Sequence[str] | None) -> FleetAssessment:
    from farmwatch.assess import assess

    return assess(settings, store, at, names)


pass_app = click.make_pass_decorator(App)
