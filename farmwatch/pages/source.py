"""What the pages are served from: the farm's settings, its database, and what the service that runs them lends."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime

from farmwatch.config import Settings
from farmwatch.errors import InputError
from farmwatch.judge import FleetAssessment
from farmwatch.store import Store

__all__ = ["FarmSource", "Published"]


@dataclass(frozen=True, slots=True)
class Published:
    """An answer as the service publishes it: status, media type and body."""

    status: int
    kind: str
    body: bytes


def _now() -> datetime:
    return datetime.now(UTC)


def _nothing() -> None:
    """Nobody waits to hear of a change."""


def _nobody_asks(machine: str) -> None:
    raise InputError(f"nobody asks the hosts here; on the terminal: farmwatch poll --machine {machine}")


def _no_words() -> Sequence[str]:
    return ()


@dataclass(frozen=True, slots=True, kw_only=True)
class FarmSource:
    """One farm, as the pages see it. All functions may be called from any thread."""

    settings: Callable[[], Settings]
    """The configuration in force."""
    store: Store
    judged: Callable[[Settings, datetime], FleetAssessment | None]
    """What was last judged of every machine, with the time of it; None where nothing was yet. It judges nothing."""
    health: Callable[[], Published]
    figures: Callable[[], Published]
    problems: Callable[[], Sequence[str]] = _no_words
    """What is amiss in the service, a sentence each."""
    configuration_fault: Callable[[], str] = str
    """Why a newer configuration is not in force; empty where none is."""
    read_at: Callable[[], datetime] = _now
    """When the configuration in force was read."""
    changed: Callable[[], None] = _nothing
    """Called after every change made by the pages, so that it is judged soon."""
    ask: Callable[[str], None] = _nobody_asks
    """Let the host of a machine be asked as soon as may be; raises InputError where nobody can."""
    clock: Callable[[], datetime] = field(default=_now)
