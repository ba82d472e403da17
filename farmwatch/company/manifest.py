"""What of a site is complete: the manifest, one JSON file a site, which names every file that counts.

A lake is read by its manifests alone: what they do not name is on its way, left over, or somebody else's.
"""

from __future__ import annotations

from datetime import date, datetime
from typing import Any
from urllib.parse import quote

import orjson
from pydantic import BaseModel, ConfigDict, ValidationError

from farmwatch.errors import FarmwatchError

__all__ = [
    "MANIFEST",
    "SCHEMA",
    "File",
    "LimitsOfSite",
    "Manifest",
    "ManifestNewer",
    "ManifestRefused",
    "Part",
    "Working",
    "folder_of",
]

SCHEMA = "farmwatch.lake/1"
"""Within version 1 nothing is taken away and nothing changes its meaning."""
MANIFEST = "manifest.json"


class ManifestRefused(FarmwatchError):
    """No manifest, or one of another version; the message says which."""


class ManifestNewer(ManifestRefused):
    """The manifest was written by another farmwatch than this one, most likely a newer one."""


class _Value(BaseModel):
    # What a later farmwatch adds within this version is passed over.
    model_config = ConfigDict(frozen=True, extra="ignore", allow_inf_nan=False)


class File(_Value):
    """A Parquet file; its path starts at the site's folder."""

    path: str
    rows: int
    bytes: int


class Part(File):
    """Readings of one month of `taken_at` (UTC), seen after one time and up to another (microseconds since 1970)."""

    month: str
    seen_after: int | None
    seen_until: int


class Working(_Value):
    """The site's working hours: weekdays (Monday is 0) and minutes of the day, by its clock."""

    weekdays: tuple[int, ...]
    start_minute: int
    end_minute: int


class LimitsOfSite(_Value):
    """The limits by which the site judges."""

    usable_mm: float
    ideal_mm: float
    mesh_old_after_days: float
    silent_after_hours: float
    covered_share: float


class Manifest(_Value):
    """One site's share of the lake at one time."""

    site: str
    farm: str
    source: str
    """Which database wrote it; two of one site's name are told apart by it."""
    exported_at: datetime
    farmwatch: str
    timezone: str
    working: Working | None
    closed: tuple[date, ...]
    bench_hours_a_week: float | None
    edition: str | None
    """Where the site's own reports are read."""
    limits: LimitsOfSite
    tables: dict[str, File]
    readings: tuple[Part, ...]
    superseded: tuple[str, ...] = ()
    """Files that counted until now; they go with the next export, so that who reads meanwhile can end."""

    def body(self) -> bytes:
        """As the file has it."""
        document = {"schema": SCHEMA, **self.model_dump(mode="json")}
        return orjson.dumps(document, option=orjson.OPT_INDENT_2 | orjson.OPT_SORT_KEYS)

    @classmethod
    def read(cls, body: bytes) -> Manifest:
        """Raises ManifestRefused for what is none."""
        try:
            document: Any = orjson.loads(body)
        except orjson.JSONDecodeError:
            raise ManifestRefused("its manifest is no JSON: half-written, or another program's") from None
        schema = document.get("schema") if isinstance(document, dict) else None
        if not isinstance(schema, str) or not schema.startswith("farmwatch.lake/"):
            raise ManifestRefused("its manifest is not farmwatch's")
        if schema != SCHEMA:
            raise ManifestNewer(
                f"it is written as {schema} by farmwatch {document.get('farmwatch', 'of another version')}; this one "
                f"reads {SCHEMA}: install the newer farmwatch here"
            )
        try:
            return cls.model_validate(document)
        except ValidationError as fault:
            first = fault.errors()[0]
            where = ".".join(map(str, first["loc"]))
            raise ManifestRefused(f"its manifest is not whole: {where}: {first['msg']}") from None

    @property
    def files(self) -> tuple[File, ...]:
        """Every file that counts."""
        return (*self.tables.values(), *self.readings)


def folder_of(site: str) -> str:
    """A site's folder in the lake."""
    return f"site={quote(site, safe='')}"
