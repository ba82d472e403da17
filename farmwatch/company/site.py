"""One site as the lake has it: its settings and, for some of its machines, a store in memory."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import duckdb

from farmwatch.company.manifest import Manifest
from farmwatch.company.place import Place
from farmwatch.config import Farm, Machine, Settings
from farmwatch.config.settings import Site as SiteSection
from farmwatch.config.settings import Working
from farmwatch.errors import FarmwatchError
from farmwatch.model import Limits, Model, Screw
from farmwatch.sources import Known, Source, StoreSource
from farmwatch.store import Store, lake

__all__ = ["SiteData", "SiteRefused"]

# A machine with a host has some address; nobody asks it.
_SOME_ADDRESS = "http://host.invalid"
_NOWHERE = Path("/nonexistent")
_ORDER = {"machines": "place", "models": "model", "screws": "model, place"}


class SiteRefused(FarmwatchError):
    """A site's tables cannot be used; the message says which and why."""


class SiteData:
    """A site's share of the lake, by its manifest. Raises SiteRefused where its tables are not as they should be."""

    def __init__(self, place: Place, folder: str, manifest: Manifest, without: Collection[str] = ()) -> None:
        self._place, self._folder, self.manifest = place, folder, manifest
        self._without = frozenset(without)
        rows = {name: self._rows(name, order) for name, order in _ORDER.items()}
        self.read_by: dict[str, str | None] = {row["machine"]: row["read_by"] for row in rows["machines"]}
        try:
            self.settings = _settings(manifest, rows)
        except (ValueError, KeyError, TypeError, StopIteration) as fault:
            why = f"its machines or models are not as farmwatch writes them: {_first(fault)}"
            raise SiteRefused(why) from None

    @property
    def reading_files(self) -> tuple[str, ...]:
        """The files of readings that are read, by their paths in the site's folder."""
        return tuple(part.path for part in self.manifest.readings if part.path not in self._without)

    def store(self, names: Sequence[str], files: Sequence[str] | None = None) -> Store:
        """What is known of some machines, in memory. Raises StoreError for a file that is damaged.

        files: the files of readings to take; None: all of them.
        """
        given = {name: [self._source(file.path)] for name, file in self.manifest.tables.items()}
        given["readings"] = [self._source(path) for path in (self.reading_files if files is None else files)]
        return lake.in_memory(given, {name: self.read_by[name] for name in names}, self._place.filesystem)

    def source(self, store: Store, names: Sequence[str]) -> Source:
        """What `store` holds of some machines, as an assessment asks for it."""
        return _Held(self, StoreSource(self.some(names), store), frozenset(names))

    def faulty(self, names: Sequence[str], files: Sequence[str]) -> list[str]:
        """Those of the files that cannot be read, each tried alone."""
        found = []
        for path in files:
            try:
                self.store(names, [path])
            except FarmwatchError:
                found.append(path)
        return found

    def some(self, names: Sequence[str]) -> Settings:
        """The site's settings with these machines alone."""
        wanted = set(names)
        machines = tuple(machine for machine in self.settings.machines if machine.name in wanted)
        return self.settings.model_copy(update={"machines": machines})

    def _source(self, path: str) -> str:
        return self._place.source(f"{self._folder}/{path}")

    def _rows(self, name: str, order: str) -> list[dict[str, Any]]:
        file = self.manifest.tables.get(name)
        if file is None:
            raise SiteRefused(f"its manifest names no table {name}")
        try:
            with duckdb.connect(":memory:", config={"threads": 1}) as con:
                if self._place.filesystem is not None:
                    con.register_filesystem(self._place.filesystem)
                found = con.execute(
                    f"FROM read_parquet($1, hive_partitioning = false) ORDER BY {order}", [self._source(file.path)]
                )
                names = [column[0] for column in found.description or ()]
                return [dict(zip(names, row, strict=True)) for row in found.fetchall()]
        except duckdb.Error as fault:
            raise SiteRefused(f"its table {name} cannot be read ({file.path}): {_first(fault)}") from None


@dataclass(frozen=True, slots=True, eq=False)
class _Held:
    """Some machines in memory; of others, whose noise these may borrow, the lake is asked."""

    data: SiteData
    held: StoreSource
    names: frozenset[str]

    def known(self, names: Sequence[str], at: datetime) -> Known:
        """What is known of machines, these or others. Raises StoreError."""
        if self.names.issuperset(names):
            return self.held.known(names, at)
        return StoreSource(self.data.some(names), self.data.store(names)).known(names, at)

    def newest_digests(self, at: datetime) -> Mapping[str, str]:
        """Of these machines."""
        return self.held.newest_digests(at)


def _settings(manifest: Manifest, rows: dict[str, list[dict[str, Any]]]) -> Settings:
    screws: dict[str, list[Screw]] = {}
    for row in rows["screws"]:
        screw = Screw(name=row["screw"], x_mm=row["x_mm"], y_mm=row["y_mm"], reference=row["reference"])
        screws.setdefault(row["model"], []).append(screw)
    limits = Limits(**manifest.limits.model_dump())
    models = {row["model"]: _model(row, tuple(screws[row["model"]]), limits) for row in rows["models"]}
    working = manifest.working
    hours = None
    if working is not None:
        days = frozenset(working.weekdays)
        hours = Working(weekdays=days, start_minute=working.start_minute, end_minute=working.end_minute)
    farm = {
        "name": manifest.farm,
        "timezone": ZoneInfo(manifest.timezone),
        "database": _NOWHERE / "farmwatch.duckdb",
        "reports": _NOWHERE,
        "working": hours,
        "closed": frozenset(manifest.closed),
        "bench_hours_a_week": manifest.bench_hours_a_week,
    }
    machines = [
        {
            "name": row["machine"],
            "model": models[row["model"]].name,
            "aisle": row["aisle"],
            "address": _SOME_ADDRESS if row["has_host"] else None,
        }
        for row in rows["machines"]
    ]
    return Settings.model_validate(
        {
            "farm": Farm.model_validate(_said(farm)),
            "limits": limits,
            "models": models,
            "mappings": {},
            "machines": tuple(Machine.model_validate(_said(machine)) for machine in machines),
            "site": SiteSection(name=manifest.site),
        }
    )


def _said(values: dict[str, Any]) -> dict[str, Any]:
    """Without what nobody has said: a section has its own way to leave that out."""
    return {name: value for name, value in values.items() if value is not None}


def _model(row: dict[str, Any], screws: tuple[Screw, ...], limits: Limits) -> Model:
    model = Model(
        name=row["model"],
        screws=screws,
        drive=row["drive"],
        lead_mm=row["lead_mm"],
        pulley_teeth=row["pulley_teeth"],
        clockwise=row["clockwise"],
        bed=None if row["bed"] is None else (row["bed"][0], row["bed"][1], row["bed"][2], row["bed"][3]),
        covered_share=limits.covered_share,
        judge_from_celsius=row["judge_from_celsius"],
        probe_sigma_mm=row["probe_sigma_mm"],
        shim_stock_mm=tuple(row["shim_stock_mm"]),
    )
    if sum(screw.reference for screw in screws) != 1:
        raise ValueError(f"model {model.name} has not one reference screw")
    return model


def _first(fault: BaseException) -> str:
    """The first line of what a fault says, short enough for a sentence."""
    return " ".join(str(fault).split())[:200]
