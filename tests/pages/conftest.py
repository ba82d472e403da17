"""A small farm behind the pages: judged once, a clock that stands, and a browser without a window (Flask's client)."""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from flask import Flask
from flask.testing import FlaskClient
from werkzeug.security import generate_password_hash

from farmwatch.assess import assess
from farmwatch.config import Secret, Settings
from farmwatch.config.settings import Person, Role
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
    asked: list[str] = field(default_factory=list)
    app: Flask = field(init=False)

    def __post_init__(self) -> None:
        self.restart()

    def restart(self) -> None:
        """The service has started anew."""
        self.app = make_app(
            FarmSource(
                settings=lambda: self.settings,
                store=self.store,
                judged=lambda _settings, _now: self.fleet,
                health=lambda: HEALTH,
                figures=lambda: FIGURES,
                problems=lambda: self.said,
                changed=self._changed,
                ask=self.asked.append,
                clock=lambda: self.now,
            )
        )

    def _changed(self) -> None:
        self.changes += 1

    def judge(self) -> None:
        """As the service does within seconds of a change."""
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
    # No two machines have the same mesh: they would be taken for names of one host.
    first = 97 * MACHINES.index(machine)
    return [reading(bed(lift, noise_mm=0.004, seed=first + day % 97), machine, days=day) for day in days]


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


PASSWORD = "salt marsh at low tide"
PEOPLE: tuple[tuple[str, Role], ...] = (("gate", "viewer"), ("bench", "technician"), ("lead", "manager"))
TOKEN = "a-token-that-is-long-enough-for-anybody"


@pytest.fixture(scope="session")
def hashed() -> str:
    """Of the password above, with less work than a real one: tests sign in often."""
    return generate_password_hash(PASSWORD, method="scrypt:1024:8:1")


@pytest.fixture
def people(tmp_path: Path, hashed: str) -> dict[str, Person]:
    """One of each role with the password above, and a program that reads by a token."""
    (tmp_path / "password").write_text(hashed + "\n")
    (tmp_path / "token").write_text(TOKEN + "\n")
    secret = Secret("file:password", tmp_path)
    found = {name: Person(name=name, role=role, password=secret) for name, role in PEOPLE}
    return {**found, "board": Person(name="board", role="viewer", token=Secret("file:token", tmp_path))}


@pytest.fixture
def works(make: Callable[..., Pages], people: dict[str, Person]) -> Pages:
    """The farm with people."""
    return make(people=people)


def sign_in(browser: FlaskClient, name: str, password: str = PASSWORD, **more: str) -> Any:
    """Sign in as somebody; returns the answer."""
    form = browser.get("/sign-in")
    fields = {"name": name, "password": password, "csrf_token": token(form.text), **more}
    return browser.post("/sign-in", data=fields)


def token(text: str) -> str:
    """The token of the first form of a page."""
    (found, *_) = re.findall(r'name="csrf_token" value="([^"]+)"', text)
    return str(found)


def press(browser: FlaskClient, page: str, address: str, **fields: Any) -> Any:
    """Open a page and press the button of its form that leads to `address`."""
    text = browser.get(page).text
    (form,) = [form for form in re.findall(r"<form.*?</form>", text, re.DOTALL) if f'action="{address}"' in form]
    hidden = dict(re.findall(r'type="hidden" name="([^"]+)" value="([^"]*)"', form))
    return browser.post(address, data={**hidden, "by": "bench", **fields})


@pytest.fixture
def farm(make: Callable[..., Pages]) -> Pages:
    """The farm on this computer, without people."""
    return make()


@pytest.fixture
def ask(farm: Pages) -> Callable[..., Any]:
    """GET an address of the farm's pages, on this computer and without people."""
    return lambda path, **more: farm.client().get(path, **more)
