"""A farm for the tests of the service: a host with a mesh for every machine, settings, a configuration file."""

from __future__ import annotations

import json
import random
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from farmwatch.config import Farm, Machine, Mapping, Poll, Settings
from farmwatch.service.polling import Polling
from farmwatch.service.status import ServiceStatus
from farmwatch.store import DurableWriter, Store
from tests.collect.hosts import Host, serving
from tests.farm import MODEL, MODEL_TEXT

__all__ = ["CONFIG", "MODEL", "NOW", "Beds", "beds", "names", "polling", "settings_in", "write_config"]

NOW = datetime(2026, 11, 23, 5, 30, tzinfo=UTC)
SIDE = 5

CONFIG = """\
[farm]
name = "Saltmarsh Tidegate Works"
timezone = "Europe/Dublin"
database = "farmwatch.duckdb"
reports = "reports"
[poll]
every_minutes = {every}
deadline_seconds = 2
[service]
listen = "127.0.0.1:0"
{model}[mappings.survey]
path = "/{{machine}}"
heights = "$.grid"
x = [10, 210]
y = [10, 210]
{more}
"""


def names(count: int) -> list[str]:
    return [f"heron-{number:02d}" for number in range(1, count + 1)]


class Beds:
    """Every machine's mesh: a new one each time that it is asked, numbered by its first height, unless it fails."""

    def __init__(self, machines: Sequence[str], *, failing: float = 0.0, seed: int = 1) -> None:
        self.given = dict.fromkeys(machines, 0)
        self._failing = failing
        self._rng = random.Random(seed)
        self._lock = threading.Lock()
        self.scripts = {f"/{name}": self._script(name) for name in machines}

    def _script(self, name: str) -> Any:
        def answer(handler: Any) -> Any:
            with self._lock:
                if self._rng.random() < self._failing:
                    return _Fault
                self.given[name] += 1
                # Every machine has meshes of its own.
                number = self.given[name] + 5000 * list(self.given).index(name)
            return json.dumps(
                {"grid": grid(number), "serial": name, "secret": handler.headers.get("X-Shop-Key", "")}
            ).encode()

        def script(handler: Any) -> Any:
            found = answer(handler)
            if found is _Fault:
                handler.close_connection = True
                handler.connection.close()
                return None
            return found

        return script


class _Fault:
    """The host drops the connection."""


def grid(number: int) -> list[list[float]]:
    """A flat bed whose first height tells its number."""
    z = np.zeros((SIDE, SIDE))
    z[0, 0] = number * 1e-5
    return z.tolist()


@contextmanager
def beds(machines: Sequence[str], **more: Any) -> Iterator[tuple[Host, Beds]]:
    found = Beds(machines, **more)
    with serving(found.scripts) as host:
        yield host, found


def settings_in(folder: Path, address: str | None, machines: Sequence[str], **more: Any) -> Settings:
    """Settings of a farm whose machines share one address."""
    mapping = {"name": "survey", "path": "/{machine}", "heights": "$.grid", "x": (10.0, 210.0), "y": (10.0, 210.0)}
    mapping |= more.pop("mapping", {})
    given: dict[str, Any] = {
        "farm": Farm(
            name="Saltmarsh Tidegate Works",
            timezone=ZoneInfo("Europe/Dublin"),
            database=folder / "farmwatch.duckdb",
            reports=folder / "reports",
        ),
        "poll": Poll(every_minutes=5.0, deadline_seconds=2.0),
        "models": {"tideframe-220": MODEL},
        "mappings": {"survey": Mapping(**mapping)},
        "machines": tuple(
            Machine(name=name, model="tideframe-220", **({"mapping": "survey", "address": address} if address else {}))
            for name in machines
        ),
    }
    return Settings(**{**given, **more})


def polling(settings: Settings, store: Store | None = None, stop: threading.Event | None = None) -> Polling:
    store = store or Store(settings.farm.database, patience_seconds=0.5)
    return Polling(settings, DurableWriter(store), ServiceStatus(NOW), stop or threading.Event(), random.Random(1))


def write_config(folder: Path, address: str, machines: Sequence[str], *, every: float = 0.05, more: str = "") -> Path:
    """A configuration file for `farmwatch run`."""
    rows = [
        f'[[machines]]\nname = "{name}"\nmodel = "tideframe-220"\nmapping = "survey"\naddress = "{address}"\n'
        for name in machines
    ]
    path = folder / "config.toml"
    path.write_text(CONFIG.format(model=MODEL_TEXT, every=every, more=more) + "\n".join(rows))
    return path
