"""[site] and [company]: what one farm is among several, and where the record of all of them is read."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo

from pydantic import BeforeValidator, Field, PlainValidator, ValidationInfo

from farmwatch.config import fields
from farmwatch.config.section import Name, Section, reads

__all__ = ["Company", "Site"]


def lake_url(value: object, info: ValidationInfo) -> str:
    """Where a lake lies: a URL without user, password or query, or a path (a relative one from the file's folder)."""
    if isinstance(value, str) and "://" in value:
        parts = urlsplit(value)
        if "@" in parts.netloc or "?" in value:
            raise ValueError("it carries a user, a password or a query; the storage's package reads keys by itself")
        if not value.isprintable() or " " in value:
            raise ValueError("it has a blank or a control character")
        return value
    return str(fields.folder_path(value, info))


Lake = Annotated[
    str, PlainValidator(lake_url), Field(description="wanted a path, or a URL without user, password or query")
]


class Site(Section):
    """[site]: this farm among the sites of its company."""

    name: Name | None = None
    """Left out: the farm's name."""
    lake: Lake | None = None
    edition: Annotated[
        str | None, *reads(fields.address, 'wanted the address of the reports such as "https://beds.tidegate.example"')
    ] = None
    """Where this site's reports are read; left out: below the address of its pages, where that is given."""


class Company(Section):
    """[company]: the report over all sites."""

    name: Name = "All sites"
    lake: Lake | None = None
    reports: Annotated[Path | None, *reads(fields.folder_path, "wanted a path")] = None
    timezone: Annotated[ZoneInfo, *reads(fields.time_zone, 'wanted an IANA time zone such as "Europe/Dublin"')] = (
        ZoneInfo("UTC")
    )
    sites: Annotated[
        tuple[Name, ...],
        BeforeValidator(lambda value: tuple(value) if isinstance(value, list) else value),
        Field(description="wanted a list of the sites' names"),
    ] = ()
    """Sites that are to be there: one that is missing is named."""
    late_after_hours: float = Field(36.0, gt=0, le=24 * 366, description="wanted hours above 0")
    """How old a site's data may be at the report's time."""
