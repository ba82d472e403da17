"""Which sites a lake holds, and what is wrong with it: every fault in a sentence, and the rest is used."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import groupby

import duckdb

from farmwatch.company.manifest import MANIFEST, Manifest, ManifestRefused, Part, folder_of
from farmwatch.company.place import Entry, Place, PlaceFails
from farmwatch.store.lake import READING_COLUMNS, columns_of
from farmwatch.text import count, joined, sanitize
from farmwatch.times import BELIEVED_AHEAD

__all__ = ["Lake", "LakeSite", "LeftOut", "read_lake"]

# A site's clock against the storage's: what an export may take, and more.
_MAY_TAKE = timedelta(hours=12)
_NAMES = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class LakeSite:
    """A site whose share can be used."""

    name: str
    folder: str
    manifest: Manifest
    body: bytes
    """The manifest as the file has it."""
    without: tuple[str, ...]
    """Files that it names and that cannot be read."""
    faults: tuple[str, ...]
    """What is wrong with its share, a sentence each."""


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A site of which nothing is shown, and why."""

    name: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Lake:
    """What a lake holds, in the order of the sites' names."""

    sites: tuple[LakeSite, ...]
    left_out: tuple[LeftOut, ...]
    foreign: tuple[str, ...]
    """Files and folders beside the sites' that are none of farmwatch's."""


def read_lake(place: Place, now: datetime, expected: Sequence[str] = ()) -> Lake:
    """Look at everything in the lake. Raises PlaceFails where it cannot be listed at all."""
    by_top = {
        top: list(some) for top, some in groupby(sorted(place.entries(), key=_path), key=lambda entry: _top(entry.path))
    }
    found: list[LakeSite] = []
    left_out: list[LeftOut] = []
    for folder, entries in by_top.items():
        if folder.startswith("site="):
            site = _site(place, folder, entries, now)
            (found if isinstance(site, LakeSite) else left_out).append(site)  # type: ignore[arg-type]  # two lists of two types
    found, copies = _without_copies(found)
    sites = _told_apart(found)
    there = {site.manifest.site for site in sites} | {one.name for one in (*left_out, *copies)}
    missing = [LeftOut(name, "it has nothing in the lake") for name in expected if name not in there]
    return Lake(
        sites=tuple(sorted(sites, key=lambda site: site.name)),
        left_out=tuple(sorted([*left_out, *copies, *missing], key=lambda one: one.name)),
        foreign=tuple(top for top in by_top if not top.startswith("site=")),
    )


def _path(entry: Entry) -> str:
    return entry.path


def _top(path: str) -> str:
    return path.partition("/")[0]


def _site(place: Place, folder: str, entries: Sequence[Entry], now: datetime) -> LakeSite | LeftOut:
    name = _name(folder)
    by_path = {entry.path: entry for entry in entries}
    at = by_path.get(f"{folder}/{MANIFEST}")
    if at is None:
        return LeftOut(name, "it has no manifest: its first export has not ended, or its folder may not be read")
    try:
        body = place.read(at.path)
        manifest = Manifest.read(body)
    except (ManifestRefused, PlaceFails) as fault:
        return LeftOut(name, str(fault))
    faults = _files_beside(folder, entries, manifest)
    without, cut = _faulty(place, folder, by_path, manifest.readings)
    broken = [t.path for t in manifest.tables.values() if _size(by_path, folder, t.path) != t.bytes]
    if broken:
        return LeftOut(manifest.site, f"the file {broken[0]} is missing or cut off; its next export mends that")
    return LakeSite(
        name=manifest.site,
        folder=folder,
        manifest=manifest,
        body=body,
        without=tuple(without),
        faults=(*cut, *faults, *_clock(manifest, at, now)),
    )


def _faulty(place: Place, folder: str, by_path: dict[str, Entry], parts: Sequence[Part]) -> tuple[list[str], list[str]]:
    """Files of readings that cannot be used, and a sentence on each."""
    without, said = [], []
    with duckdb.connect(":memory:", config={"threads": 1}) as con:
        if place.filesystem is not None:
            con.register_filesystem(place.filesystem)
        for part in parts:
            why = _why_not(con, place, folder, by_path, part)
            if why:
                without.append(part.path)
                said.append(f"the file {part.path} {why}: {count(part.rows, 'reading')} of {part.month} left out")
    return without, said


def _why_not(con: duckdb.DuckDBPyConnection, place: Place, folder: str, by_path: dict[str, Entry], part: Part) -> str:
    size = _size(by_path, folder, part.path)
    if size is None:
        return "is missing"
    if size != part.bytes:
        return f"is cut off or written over ({size:,} of {part.bytes:,} bytes)"
    try:
        columns = columns_of(con, place.source(f"{folder}/{part.path}"))
    except duckdb.Error:
        return "is damaged"
    wanting = [name for name in READING_COLUMNS if name not in columns]
    return f"has no column {wanting[0]}: another version wrote it" if wanting else ""


def _size(by_path: dict[str, Entry], folder: str, path: str) -> int | None:
    entry = by_path.get(f"{folder}/{path}")
    return None if entry is None else entry.size


def _files_beside(folder: str, entries: Sequence[Entry], manifest: Manifest) -> list[str]:
    """A word on files that the manifest does not name: half-written ones, and those of somebody else."""
    named = {MANIFEST, *manifest.superseded, *(file.path for file in manifest.files)}
    others = [path for entry in entries if (path := entry.path[len(folder) + 1 :]) not in named]
    if not others:
        return []
    names = joined([sanitize(path) for path in others], _NAMES)
    are = "is" if len(others) == 1 else "are"
    return [f"{count(len(others), 'file')} that its manifest does not name {are} not read ({names})"]


def _clock(manifest: Manifest, at: Entry, now: datetime) -> list[str]:
    """A word where the site's clock stands days from ours, or from the storage's."""
    ahead = manifest.exported_at - now
    if ahead > BELIEVED_AHEAD:
        return [f"its clock is {_span(ahead)} ahead of this one: what it dates later counts for nothing until then"]
    if at.changed_at is not None and at.changed_at - manifest.exported_at > _MAY_TAKE:
        late = _span(at.changed_at - manifest.exported_at)
        return [f"its files were written {late} after what its clock said: that is behind, or the lake was copied"]
    return []


def _span(time: timedelta) -> str:
    hours = time.total_seconds() / 3600
    return count(round(hours / 24), "day") if hours >= 36 else count(round(hours), "hour")


def _without_copies(sites: list[LakeSite]) -> tuple[list[LakeSite], list[LeftOut]]:
    """Of two folders that one database wrote (its site was renamed) the later one counts."""
    newest: dict[str, LakeSite] = {}
    for site in sorted(sites, key=lambda site: (site.manifest.exported_at, site.folder)):
        newest[site.manifest.source] = site
    kept = [site for site in sites if newest[site.manifest.source] is site]
    return kept, [
        LeftOut(
            _name(site.folder),
            f"the same database writes as {newest[site.manifest.source].name!r} by now: renamed, or a copy; "
            f"the folder {site.folder} can go",
        )
        for site in sites
        if site not in kept
    ]


def _told_apart(sites: list[LakeSite]) -> list[LakeSite]:
    """Two databases under one name are both shown, each by its folder."""
    names = [site.name for site in sites]
    told = []
    for site in sites:
        if names.count(site.name) > 1:
            word = f"two databases write under the name {site.name!r}: both are shown, each by its folder; rename one"
            told.append(_replaced(site, _name(site.folder), word))
        elif folder_of(site.name) != site.folder:
            word = f"it lies in the folder of {_name(site.folder)!r}: was that renamed by hand?"
            told.append(_replaced(site, site.name, word))
        else:
            told.append(site)
    return told


def _replaced(site: LakeSite, name: str, word: str) -> LakeSite:
    return LakeSite(
        name=name,
        folder=site.folder,
        manifest=site.manifest,
        body=site.body,
        without=site.without,
        faults=(*site.faults, word),
    )


def _name(folder: str) -> str:
    from urllib.parse import unquote

    return sanitize(unquote(folder.removeprefix("site=")))
