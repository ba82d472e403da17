"""The invented farm, as every test speaks of it: Saltmarsh Tidegate Works, its model, beds, readings and settings.

A test that needs another farm changes what it is about (`model(judge_from_celsius=45)`, `reading(bed(), days=3)`) and
leaves the rest.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from farmwatch.history import History, Note, Reading, Work
from farmwatch.measure import grid_points, influence
from farmwatch.mesh import Floats, Mesh
from farmwatch.model import Model, Screw

__all__ = [
    "AXIS", "FARM", "MODEL", "MODEL_TEXT", "NOW", "THREE", "ZONE", "bed", "config_text", "history", "machine_text",
    "model", "reading", "settings", "write_config",
]  # fmt: skip

FARM = "Saltmarsh Tidegate Works"
ZONE = ZoneInfo("Europe/Dublin")
NOW = datetime(2026, 11, 23, 6, 0, tzinfo=UTC)
"""A Monday in winter: the hour at which the report of week 47 is due."""

AXIS: Floats = np.linspace(10.0, 210.0, 7)

THREE = (
    Screw(name="front-left", x_mm=20, y_mm=10),
    Screw(name="front-right", x_mm=200, y_mm=10),
    Screw(name="rear", x_mm=110, y_mm=215, reference=True),
)


def model(**changes: Any) -> Model:
    """The farm's model of machine: three screws, a belt, 0.4 mm a tooth."""
    fields: dict[str, Any] = {
        "name": "tideframe-220",
        "screws": THREE,
        "lead_mm": 8.0,
        "pulley_teeth": 20,
        "clockwise": "raises",
        "bed": (0, 0, 220, 220),
    }
    return Model(**{**fields, **changes})


MODEL = model()


def bed(
    lift: Mapping[str, float] | None = None,
    *,
    form: Floats | None = None,
    noise_mm: float = 0.0,
    seed: int = 0,
    of: Model = MODEL,
    x: Floats = AXIS,
    y: Floats = AXIS,
) -> Mesh:
    """A bed that stands `lift` mm higher at the screws named, with `form` `[r, c]` and a probe's noise on top."""
    points = grid_points(x, y)
    shares = influence(of.screws_xy, of.reference_index, *points)
    heights = np.array([(lift or {}).get(screw.name, 0.0) for screw in of.screws])
    z = (heights @ shares).reshape(y.size, x.size)
    if form is not None:
        z = z + form
    if noise_mm:
        z = z + np.random.default_rng(seed).normal(0.0, noise_mm, z.shape)
    return Mesh.accept(x, y, z)


def reading(mesh: Mesh | None = None, machine: str = "heron-01", *, days: float = 0.0, **changes: Any) -> Reading:
    """One reading of a machine, `days` after `NOW` (before it where negative), hot and on plate A."""
    at = NOW + timedelta(days=days)
    fields: dict[str, Any] = {
        "machine": machine,
        "taken_at": at,
        "seen_at": at,
        "time_from": "host",
        "mesh": bed() if mesh is None else mesh,
        "bed_celsius": 60.0,
        "plate": "A",
    }
    return Reading(**{**fields, **changes})


def history(
    meshes: Iterable[Mesh], *, every_days: float = 1.0, notes: Sequence[Note] = (), works: Sequence[Work] = ()
) -> History:
    """The meshes as readings of heron-01, one every `every_days`, the last at `NOW`."""
    some = list(meshes)
    readings = [reading(mesh, days=(i + 1 - len(some)) * every_days) for i, mesh in enumerate(some)]
    return History.of("heron-01", readings, tuple(notes), tuple(works))


# The configuration, as values and as text


def settings(folder: Path, machines: Sequence[str] = ("heron-01",), **sections: Any) -> Any:
    """Checked settings of a farm of machines without hosts, its files in `folder`."""
    # Here, so that tests of what is pure load no configuration.
    from farmwatch.config import Farm, Machine, Settings

    given: dict[str, Any] = {
        "farm": Farm(name=FARM, timezone=ZONE, database=folder / "farmwatch.duckdb", reports=folder / "reports"),
        "models": {MODEL.name: MODEL},
        "mappings": {},
        "machines": tuple(Machine(name=name, model=MODEL.name, aisle=name.split("-")[0]) for name in machines),
    }
    return Settings(**{**given, **sections})


MODEL_TEXT = """\
[models.tideframe-220]
lead_mm = 8.0
pulley_teeth = 20
clockwise = "raises"
screws = [
  { name = "front-left", at = [20, 10] },
  { name = "front-right", at = [200, 10] },
  { name = "rear", at = [110, 215], reference = true },
]
"""


def machine_text(name: str, **keys: str) -> str:
    """A `[[machines]]` block; further keys as given."""
    rows = {"name": name, "model": "tideframe-220", **keys}
    return "[[machines]]\n" + "".join(f'{key} = "{value}"\n' for key, value in rows.items())


def config_text(
    machines: Sequence[str] = ("heron-01",), more: str = "", farm: str = "", model: str = MODEL_TEXT
) -> str:
    """A whole config.toml: `farm` adds lines to `[farm]`, `more` adds sections before the machines."""
    head = f'[farm]\nname = "{FARM}"\ntimezone = "Europe/Dublin"\ndatabase = "farmwatch.duckdb"\nreports = "reports"\n'
    return "\n".join([head + farm, model, more, *(machine_text(name) for name in machines)])


def write_config(folder: Path, machines: Sequence[str] = ("heron-01",), **parts: str) -> Path:
    """The same, written to `folder`/config.toml."""
    path = folder / "config.toml"
    path.write_text(config_text(machines, **parts), encoding="utf-8")
    return path
