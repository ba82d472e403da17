"""Lakes of invented sites of the Saltmarsh Tidegate Works: Heron Point, Plover Quay, Avocet Reach."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from farmwatch.company import Exported, export_lake
from farmwatch.config.settings import Site
from farmwatch.history import Reading
from farmwatch.store import Store
from tests.farm import NOW, bed, reading, settings

__all__ = ["EXPORTED_AT", "SITES", "Farm", "a_farm", "tilted"]

SITES = ("Heron Point", "Plover Quay", "Avocet Reach")
EXPORTED_AT = NOW + timedelta(minutes=20)


class Farm:
    """One site: its settings and store, with a way to its company's lake."""

    def __init__(self, config: Any, store: Store) -> None:
        self.settings, self.store = config, store

    def export(self, lake: Path | str, at: datetime = EXPORTED_AT, **more: Any) -> Exported:
        return export_lake(self.settings, self.store, str(lake), at, **more)


def tilted(machine: str, mm: float, days: Sequence[float], seed: int = 0) -> list[Reading]:
    """Readings of a bed whose front left stands `mm` too high, so many days after `NOW`."""
    return [
        reading(bed({"front-left": mm}, noise_mm=0.004, seed=seed + i), machine, days=day) for i, day in enumerate(days)
    ]


def a_farm(
    folder: Path,
    new_database: bytes,
    site: str,
    tilts: Mapping[str, float],
    days: Sequence[float] = range(-40, 0),
    **more: Any,
) -> Farm:
    """A farm with readings of each machine at the days given."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "farmwatch.duckdb").write_bytes(new_database)
    store = Store(folder / "farmwatch.duckdb")
    for i, (machine, mm) in enumerate(tilts.items()):
        if days:
            store.add_readings(tilted(machine, mm, [day - 0.1 for day in days], 1000 * i))
    return Farm(settings(folder, tuple(tilts), site=Site(name=site), **more), store)
