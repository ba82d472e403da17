"""config.toml -> checked settings. Every fault is found in one go, in file order, before anything starts."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Annotated, Literal
from zoneinfo import ZoneInfo

from pydantic import BaseModel, ConfigDict, Field

from farmwatch.errors import FarmwatchError
from farmwatch.model import Limits, Model

__all__ = [
    "Also",
    "ConfigError",
    "Farm",
    "Machine",
    "Mapping",
    "Poll",
    "Secret",
    "Settings",
    "WeeklyTime",
    "Working",
    "load_settings",
]


class ConfigError(FarmwatchError):
    """All faults of a configuration, in file order."""


class Secret:
    """A value named by `env:NAME` or `file:PATH`; it is read when it is needed and never printed."""

    __slots__ = ("_folder", "source")

    def __init__(self, source: str, folder: Path) -> None:
        self.source = source
        self._folder = folder

    def reveal(self) -> str:
        """The value itself; raises ConfigError naming the source where it cannot be read."""
        raise NotImplementedError

    def __repr__(self) -> str:
        return f"Secret({self.source!r})"


class _Section(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", arbitrary_types_allowed=True)


class WeeklyTime(_Section):
    """A day and time of the week, farm time: "mon 06:00". Monday is 0."""

    weekday: int
    hour: int
    minute: int


class Working(_Section):
    """Working hours: weekdays (Monday is 0) and minutes of the day, farm time."""

    weekdays: frozenset[int]
    start_minute: int
    end_minute: int


class Farm(_Section):
    """Paths are absolute once loaded."""

    name: str
    timezone: ZoneInfo
    database: Path
    reports: Path
    report_at: WeeklyTime
    working: Working | None = None
    closed: frozenset[date] = frozenset()


class Poll(_Section):
    """How the hosts are asked."""

    every_minutes: float = 30.0
    at_once: int = 32
    deadline_seconds: float = 10.0
    largest_answer_kib: int = 2048
    trust_env: bool = False
    """Whether proxies and the like may come from the environment."""
    ca_file: Path | None = None
    """The farm's own certificate authority, for TLS hosts."""


class Also(_Section):
    """What stands at another address of the same host; every key but the path is a JSONPath."""

    path: str
    taken_at: str | None = None
    bed_celsius: str | None = None
    plate: str | None = None
    identity: str | None = None


class Mapping(_Section):
    """How a host's answer maps onto a mesh."""

    name: str
    path: str
    heights: str | None = None
    answer: Literal["json", "text"] = "json"
    layout: Literal["rows", "flat", "points"] = "rows"
    columns: int | str | None = None
    point_x: str | None = None
    point_y: str | None = None
    point_z: str | None = None
    first: Literal["front-left", "front-right", "rear-left", "rear-right"] = "front-left"
    order: Literal["along-x", "along-y"] = "along-x"
    serpentine: bool = False
    unit: Literal["mm", "um", "inch"] = "mm"
    sign: Literal["bed-up", "bed-down"] = "bed-up"
    x: str | tuple[str, str] | tuple[float, ...] | None = None
    y: str | tuple[str, str] | tuple[float, ...] | None = None
    taken_at: str | None = None
    taken_at_zone: ZoneInfo | None = None
    bed_celsius: str | None = None
    temperature_is: Literal["at-probing", "now"] = "at-probing"
    plate: str | None = None
    identity: str | None = None
    headers: dict[str, str | Secret] = Field(default_factory=dict)
    query: dict[str, str | Secret] = Field(default_factory=dict)
    also: tuple[Also, ...] = ()


class Machine(_Section):
    """One machine of the farm."""

    name: str
    model: str
    aisle: str = ""
    mapping: str | None = None
    address: str | None = None
    every_minutes: float | None = None


class Settings(_Section):
    """The whole configuration, checked."""

    farm: Farm
    limits: Annotated[Limits, Field(default_factory=Limits)]
    poll: Annotated[Poll, Field(default_factory=Poll)]
    models: dict[str, Model]
    mappings: dict[str, Mapping]
    machines: tuple[Machine, ...]
    warnings: tuple[str, ...] = ()
    """What is worth a second look but no fault: shown by `check`."""

    def machine(self, name: str) -> Machine:
        """The machine of that name; raises InputError naming the nearest one."""
        raise NotImplementedError


def load_settings(path: Path | None = None) -> Settings:
    """Read and check the configuration: `path`, FARMWATCH_CONFIG, ./config.toml or /etc/farmwatch/config.toml.

    Raises ConfigError with every fault at once.
    """
    raise NotImplementedError
