"""A small farm behind the pages: judged once, a clock that stands, and a browser without a window (Flask's client)."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from flask import Flask
from flask.testing import FlaskClient

from farmwatch.assess import assess
from farmwatch.config import Settings
from farmwatch.history import Reading
from farmwatch.judge import FleetAssessment
from farmwatch.pages import FarmSource, Published, make_app
from farmwatch.store import Store
from farmwatch.tickets import Ticket, TicketRepository, update_tickets
from tests.farm import NOW, bed, reading, settings

HEALTH = Published(200, "application/json", b'{"well":true}\n')
FIGURES = Published(200, "application/openmetrics-text; version=1.0.0; charset=utf-8", b"# EOF\n")
MACHINES = ("heron-01", "heron-02", "plover-01", "plover-02")


@dataclass
class Pages:
    """The farm and its pages; change `settings` or `now` and ask again."""

    settings: Settings
    store: Store
    now: Any = NOW
    fleet: FleetAssessment | None = None
    changes: int = 0
    said: list[str] = field(default_factory=list)
    app: Flask = field(init=False)

    def __post_init__(self) -> None:
        self.app = make_app(
            FarmSource(
                settings=lambda: self.settings,
                store=self.store,
                judged=lambda _settings, _now: self.fleet,
                health=lambda: HEALTH,
                figures=lambda: FIGURES,
                problems=lambda: self.said,
                changed=self._changed,
                clock=lambda: self.now,
            )
        )

    def _changed(self) -> None:
        """As the service does within seconds."""
        self.changes += 1
        self.fleet = assess(self.settings, self.store, self.now)

    def client(self) -> FlaskClient:
        """A browser that nobody has signed in with."""
        return self.app.test_client()

    @property
    def book(self) -> TicketRepository:
        """The tickets."""
        return TicketRepository(self.store)

    def ticket(self, machine: str) -> Ticket:
        """The newest ticket of a machine."""
        return self.book.tickets([machine])[-1]


def readings(machine: str, lift: dict[str, float], days: range) -> list[Reading]:
    return [reading(bed(lift, noise_mm=0.004, seed=day % 97), machine, days=day) for day in days]


@pytest.fixture(scope="session")
def seed(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, FleetAssessment]:
    """heron-01 and plover-01 are past the limit by their screws, each with a ticket; the others are sound."""
    folder = tmp_path_factory.mktemp("farm")
    store, found = Store(folder / "farmwatch.duckdb"), settings(folder, MACHINES)
    store.add_readings(
        [
            *readings("heron-01", {}, range(-12, -4)),
            *readings("heron-01", {"front-right": -0.4}, range(-4, 0)),
            *readings("heron-02", {}, range(-12, 0)),
            *readings("plover-01", {"front-left": 0.8}, range(-6, 0)),
            *readings("plover-02", {}, range(-3, 0)),
        ]
    )
    update_tickets(found, store, assess(found, store, NOW - timedelta(minutes=5)))
    return store.path, assess(found, store, NOW)


@pytest.fixture
def make(tmp_path: Path, seed: tuple[Path, FleetAssessment]) -> Callable[..., Pages]:
    """The farm, with sections of its configuration as given."""

    def made(**sections: Any) -> Pages:
        shutil.copyfile(seed[0], tmp_path / "farmwatch.duckdb")
        store = Store(tmp_path / "farmwatch.duckdb")
        return Pages(settings=settings(tmp_path, MACHINES, **sections), store=store, fleet=seed[1])

    return made


@pytest.fixture
def farm(make: Callable[..., Pages]) -> Pages:
    """The farm on this computer, without people."""
    return make()


@pytest.fixture
def ask(farm: Pages) -> Callable[..., Any]:
    """GET an address of the farm's pages, on this computer and without people."""
    return lambda path, **more: farm.client().get(path, **more)
