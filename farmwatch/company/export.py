"""One farm's share of the lake: only what has changed is written, and the manifest comes last.

Killed at any moment it leaves the manifest of before and the files that it names; what was written meanwhile is found
again by its name, which is made of what is in it.
"""

from __future__ import annotations

import hashlib
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import partial
from pathlib import Path

from farmwatch import __version__
from farmwatch.company.manifest import (
    MANIFEST,
    File,
    LimitsOfSite,
    Manifest,
    ManifestNewer,
    ManifestRefused,
    Part,
    Working,
    folder_of,
)
from farmwatch.company.parts import Planned, plan_parts
from farmwatch.company.place import Place, PlaceFails, open_place
from farmwatch.config import Settings
from farmwatch.errors import InputError
from farmwatch.store import Store
from farmwatch.store import lake as sql
from farmwatch.store.records import Run
from farmwatch.times import BELIEVABLE_FROM, micros

__all__ = ["Exported", "export_lake"]

_RUN = "lake-source"

Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Exported:
    """What came of it."""

    site: str
    url: str
    readings: int
    written: int
    """Files written."""
    bytes_written: int


def export_lake(
    settings: Settings,
    store: Store,
    url: str,
    now: datetime,
    *,
    progress: Progress | None = None,
    take_over: bool = False,
) -> Exported:
    """Write what has changed since the last time; the same again writes nothing but the time.

    take_over: write even where another database wrote under this site's name (the farm has moved). Raises InputError
    where it did, PlaceFails where the lake cannot be written, StoreError where the database cannot be read.
    """
    place = open_place(url)
    site = settings.site_name
    folder = folder_of(site)
    source = _source(store)
    before = _before(place, folder)
    if before is not None and before.source != source and not take_over:
        raise InputError(
            f"{place.url}: another farm's database writes under the name {site!r} (it calls itself {before.farm!r}, "
            f"last export {before.exported_at:%Y-%m-%d}). Give this farm its own name at [site] name; if the farm has "
            "moved to this database, say so with --take-over"
        )
    writer = _Writer(place, folder, before)
    # A part by a short opening, so that the service writes in between; what comes in meanwhile makes another mark.
    parts = _parts(store, writer, plan_parts(store, before), progress)
    with store.one_state():
        tables = {
            name: writer.table(name, partial(sql.write_table, store, name, now=micros(now))) for name in sql.TABLES
        }
        tables |= _settings_tables(settings, store, writer)
    manifest = _manifest(settings, site, source, now, tables, parts)
    left = {file.path for file in before.files} - {file.path for file in manifest.files} if before else set()
    manifest = manifest.model_copy(update={"superseded": tuple(sorted(left))})
    place.put(f"{folder}/{MANIFEST}", manifest.body())
    _clear(place, folder, manifest)
    return Exported(
        site=site,
        url=place.url,
        readings=sum(part.rows for part in parts),
        written=writer.written,
        bytes_written=writer.bytes_written,
    )


def _source(store: Store) -> str:
    """What tells this database from every other: made at the first export, kept in its last-run record."""
    run = store.last_run(_RUN)
    if run is None:
        import secrets

        # Dated so that no wrong clock puts it ahead of the right one.
        run = Run(name=_RUN, at=BELIEVABLE_FROM, detail=secrets.token_hex(8))
        store.add_run(run)
    return run.detail


def _before(place: Place, folder: str) -> Manifest | None:
    """The manifest that stands; None where there is none, or one that cannot be used: all is written anew then."""
    if not any(entry.path == f"{folder}/{MANIFEST}" for entry in place.entries(folder)):
        return None
    try:
        return Manifest.read(place.read(f"{folder}/{MANIFEST}"))
    except ManifestNewer as fault:
        raise InputError(f"{place.url}/{folder}: {fault}") from None
    except ManifestRefused:
        return None


def _parts(store: Store, writer: _Writer, planned: Sequence[Planned], progress: Progress | None) -> list[Part]:
    todo = sum(not writer.stands(one.path) for one in planned)
    parts = []
    for one in planned:
        file = writer.readings(one.path, partial(sql.write_readings, store, one.month, one.after, one.until))
        parts.append(
            Part(
                path=one.path,
                rows=file.rows,
                bytes=file.bytes,
                month=one.month,
                seen_after=one.after,
                seen_until=one.until,
            )
        )
        if progress and todo:
            progress(min(writer.written, todo), todo)
    return parts


class _Writer:
    """Puts files where they do not stand yet."""

    def __init__(self, place: Place, folder: str, before: Manifest | None) -> None:
        self._place, self._folder = place, folder
        sizes = {entry.path: entry.size for entry in place.entries(folder)}
        # What a manifest names is whole; it is written anew where it has gone or been cut off since.
        self._standing = {
            file.path: file
            for file in (before.files if before else ())
            if sizes.get(f"{folder}/{file.path}") == file.bytes
        }
        self.written = 0
        self.bytes_written = 0

    def stands(self, path: str) -> bool:
        """Whether the file is there and whole."""
        return path in self._standing

    def readings(self, path: str, write: Callable[[Path], int]) -> File:
        """A part by its name."""
        if path in self._standing:
            return self._standing[path]
        with self._place.writing(f"{self._folder}/{path}") as file:
            rows = write(file)
            size = file.stat().st_size
        self._count(size)
        return File(path=path, rows=rows, bytes=size)

    def table(self, name: str, write: Callable[[Path], int]) -> File:
        """A table whole, under the name that its bytes give it."""
        with tempfile.TemporaryDirectory(prefix="farmwatch-lake-") as folder:
            file = Path(folder, f"{name}.parquet")
            rows = write(file)
            body = file.read_bytes()
        path = f"tables/{name}-{hashlib.sha256(body).hexdigest()[:16]}.parquet"
        if path not in self._standing:
            self._place.put(f"{self._folder}/{path}", body)
            self._count(len(body))
        return File(path=path, rows=rows, bytes=len(body))

    def _count(self, size: int) -> None:
        self.written += 1
        self.bytes_written += size


MACHINES = {
    "place": "INTEGER", "machine": "VARCHAR", "model": "VARCHAR", "aisle": "VARCHAR", "has_host": "BOOLEAN",
    "every_minutes": "DOUBLE", "read_by": "VARCHAR",
}  # fmt: skip
MODELS = {
    "model": "VARCHAR", "drive": "VARCHAR", "lead_mm": "DOUBLE", "pulley_teeth": "INTEGER", "clockwise": "VARCHAR",
    "bed": "DOUBLE[]", "judge_from_celsius": "DOUBLE", "probe_sigma_mm": "DOUBLE", "shim_stock_mm": "DOUBLE[]",
}  # fmt: skip
SCREWS = {
    "model": "VARCHAR", "place": "INTEGER", "screw": "VARCHAR", "x_mm": "DOUBLE", "y_mm": "DOUBLE",
    "reference": "BOOLEAN",
}  # fmt: skip


def _settings_tables(settings: Settings, store: Store, writer: _Writer) -> dict[str, File]:
    """Machines, models and screws as the configuration has them, in its order."""
    marks = settings.read_by
    machines = [
        (i, m.name, m.model, m.aisle, m.address is not None, m.every_minutes or settings.poll.every_minutes,
         marks.get(m.name))
        for i, m in enumerate(settings.machines)
    ]  # fmt: skip
    models = [
        (m.name, m.drive, m.lead_mm, m.pulley_teeth, m.clockwise, None if m.bed is None else list(m.bed),
         m.judge_from_celsius, m.probe_sigma_mm, list(m.shim_stock_mm))
        for m in settings.models.values()
    ]  # fmt: skip
    screws = [
        (m.name, i, s.name, s.x_mm, s.y_mm, s.reference)
        for m in settings.models.values()
        for i, s in enumerate(m.screws)
    ]

    def rows(name: str, columns: dict[str, str], values: Sequence[Sequence[object]]) -> File:
        return writer.table(name, partial(sql.write_rows, store, columns, values))

    return {
        "machines": rows("machines", MACHINES, machines),
        "models": rows("models", MODELS, models),
        "screws": rows("screws", SCREWS, screws),
    }


def _manifest(
    settings: Settings, site: str, source: str, now: datetime, tables: dict[str, File], parts: Sequence[Part]
) -> Manifest:
    farm, limits, working = settings.farm, settings.limits, settings.farm.working
    return Manifest(
        site=site,
        farm=farm.name,
        source=source,
        exported_at=now.replace(microsecond=0),
        farmwatch=__version__,
        timezone=farm.timezone.key,
        working=None if working is None else Working(
            weekdays=tuple(sorted(working.weekdays)), start_minute=working.start_minute, end_minute=working.end_minute
        ),
        closed=tuple(sorted(farm.closed)),
        bench_hours_a_week=farm.bench_hours_a_week,
        edition=settings.edition_url,
        limits=LimitsOfSite(**{name: getattr(limits, name) for name in LimitsOfSite.model_fields}),
        tables=tables,
        readings=tuple(parts),
    )  # fmt: skip


def _clear(place: Place, folder: str, manifest: Manifest) -> None:
    """Take away our own files that no manifest names any more; what is not ours is left alone."""
    keep = {f"{folder}/{path}" for path in (*(file.path for file in manifest.files), *manifest.superseded)}
    ours = (f"{folder}/readings/month=", f"{folder}/tables/")
    for entry in place.entries(folder):
        named = entry.path.startswith(ours) and entry.path.endswith((".parquet", ".beside"))
        if named and entry.path not in keep and ("/part-" in entry.path or "/tables/" in entry.path):
            try:
                place.remove(entry.path)
            except PlaceFails:
                continue  # Nobody reads it; the next export tries again.
