"""The settings: what a checked configuration holds. Each field's description says what is wanted of it.

A section reads raw TOML values and typed ones alike, so that code can build settings without a file. A new section
is a class here, a field of `Settings` and a line of `SECTIONS`.
"""

from __future__ import annotations

import hashlib
import os
from datetime import date
from pathlib import Path
from typing import Annotated, Literal
from zoneinfo import ZoneInfo

from pydantic import BeforeValidator, Field, PlainValidator

from farmwatch.config import fields
from farmwatch.config.company import Company, Site
from farmwatch.config.faults import shown
from farmwatch.config.secret import Secret
from farmwatch.config.section import Name, Section, reads
from farmwatch.config.serving import Pages, Person, Role, ServiceSection
from farmwatch.errors import InputError
from farmwatch.model import Limits, Model
from farmwatch.text import nearest

__all__ = [
    "SECTIONS", "Also", "Company", "Farm", "Limits", "LimitsSection", "Machine", "Mail", "Mapping", "ModelSection",
    "Pages", "Person", "Poll", "Role", "ScrewSection", "Section", "ServiceSection", "Settings", "Site", "Tickets",
    "Webhook", "WeeklyTime", "Working",
]  # fmt: skip


_JSONPATH = "wanted a JSONPath (RFC 9535) such as $.bed.celsius"
JsonPath = Annotated[str, PlainValidator(fields.json_path), Field(description=_JSONPATH)]
UrlPath = Annotated[
    str,
    PlainValidator(fields.url_path),
    Field(description='wanted a path such as "/v1/survey/latest"; {machine} may stand in it, a secret may not'),
]
FilePath = Annotated[Path, PlainValidator(fields.folder_path), Field(description="wanted a path")]
Coordinate = Annotated[
    str | tuple[str, str] | tuple[float, ...],
    PlainValidator(fields.coordinate),
    Field(description="wanted a JSONPath, two JSONPaths (the ends), or numbers: every coordinate or the two ends"),
]


MailAddress = Annotated[
    str,
    PlainValidator(fields.mail_address),
    Field(description='wanted a mail address such as "farm@tidegate.example"'),
]


class WeeklyTime(Section):
    """A day and time of the week, farm time: "mon 06:00". Monday is 0."""

    weekday: int
    hour: int
    minute: int


class Working(Section):
    """Working hours: weekdays (Monday is 0) and minutes of the day, farm time."""

    weekdays: frozenset[int]
    start_minute: int
    end_minute: int


def _weekly_time(value: object) -> WeeklyTime:
    if isinstance(value, WeeklyTime):
        return value
    if not isinstance(value, str) or len(value.split()) != 2:
        raise ValueError("it is not a day and a time")
    day, clock = value.split()
    if day.lower() not in fields.DAYS:
        raise ValueError(f"days are {', '.join(fields.DAYS)}")
    minutes = fields.clock_minutes(clock)
    return WeeklyTime(weekday=fields.DAYS.index(day.lower()), hour=minutes // 60, minute=minutes % 60)


def _working(value: object) -> Working:
    if isinstance(value, Working):
        return value
    if not isinstance(value, str) or len(value.split()) != 2 or value.count("-") < 1:
        raise ValueError("it is not days and a span of time")
    days, span = value.split()
    start, dash, end = span.partition("-")
    if not dash:
        raise ValueError("it has no span of time")
    first, last = fields.clock_minutes(start), fields.clock_minutes(end, latest=24 * 60)
    if last <= first:
        raise ValueError("the span ends before it begins; a farm that works through the night writes 00:00-24:00")
    return Working(weekdays=fields.days(days), start_minute=first, end_minute=last)


class Farm(Section):
    """Paths are absolute once loaded."""

    name: Name
    timezone: Annotated[ZoneInfo, *reads(fields.time_zone, 'wanted an IANA time zone such as "Europe/Dublin"')]
    database: Annotated[Path, PlainValidator(fields.file_path), Field(description="wanted the path of a file")]
    reports: FilePath
    report_at: Annotated[
        WeeklyTime, *reads(_weekly_time, 'wanted a day and a time of the farm such as "mon 06:00"')
    ] = WeeklyTime(weekday=0, hour=6, minute=0)
    working: Annotated[Working | None, *reads(_working, 'wanted working hours such as "mon-fri 06:00-18:00"')] = None
    closed: Annotated[frozenset[date], *reads(fields.holidays, "wanted a list of dates such as [2026-12-25]")] = (
        frozenset()
    )
    bench_hours_a_week: float | None = Field(None, gt=0, le=10000, description="wanted hours above 0, or leave it out")
    """Hours that the bench has in a week; the report holds the open work against them."""
    keep_answers: int = Field(400, ge=0, le=10_000, description="wanted how many answers to keep a machine, 0 to 10000")


class LimitsSection(Section):
    """[limits] as written; `farmwatch.model.Limits` once loaded."""

    usable_mm: float = Field(0.20, gt=0, le=20, description="wanted mm above 0, at most 20")
    ideal_mm: float = Field(0.10, gt=0, le=20, description="wanted mm above 0, at most 20")
    mesh_old_after_days: float = Field(14.0, gt=0, le=3660, description="wanted days above 0")
    silent_after_hours: float = Field(24.0, gt=0, le=24 * 3660, description="wanted hours above 0")
    covered_share: float = Field(0.70, gt=0, le=1, description="wanted a share of the bed's area, above 0, at most 1")


_EVERY = "wanted minutes from 0.05 to 10080 (a week)"


class Poll(Section):
    """How the hosts are asked."""

    every_minutes: float = Field(30.0, ge=0.05, le=10080, description=_EVERY)
    at_once: int = Field(32, ge=1, le=1024, description="wanted a whole number from 1 to 1024")
    deadline_seconds: float = Field(10.0, ge=0.05, le=600, description="wanted seconds from 0.05 to 600")
    largest_answer_kib: int = Field(2048, ge=1, le=1048576, description="wanted KiB, a whole number from 1 to 1048576")
    trust_env: bool = Field(False, description="wanted true or false")
    """Whether proxies and the like may come from the environment."""
    ca_file: Annotated[Path | None, *reads(fields.folder_path, "wanted the path of a PEM file")] = None
    """The farm's own certificate authority, for TLS hosts."""


class ScrewSection(Section):
    """One Z screw as written."""

    name: Name
    at: Annotated[tuple[float, ...], *reads(fields.numbers(2, 2), "wanted two numbers, x and y in mm")]
    reference: bool = Field(False, description="wanted true or false")


class ModelSection(Section):
    """[models.NAME] as written; `farmwatch.model.Model` once loaded."""

    drive: Literal["belt", "free"] = Field("belt", description='wanted "belt" or "free"')
    lead_mm: float | None = Field(
        None, gt=0, le=100, description="wanted mm above 0: the screw's pitch times its starts, or leave it out"
    )
    pulley_teeth: int | None = Field(
        None, ge=4, le=400, description="wanted a whole number of teeth from 4 to 400, or leave it out"
    )
    clockwise: Literal["raises", "lowers"] | None = Field(
        None, description='wanted what a clockwise turn seen from below does to the bed: "raises" or "lowers"'
    )
    bed: Annotated[
        tuple[float, ...] | None, *reads(fields.numbers(4, 4), "wanted four numbers in mm: x0, y0, x1, y1")
    ] = None
    judge_from_celsius: float | None = Field(None, ge=-50, le=500, description="wanted degrees Celsius")
    probe_sigma_mm: float | None = Field(None, gt=0, le=1, description="wanted mm above 0, at most 1")
    shim_stock_mm: Annotated[
        tuple[float, ...], *reads(fields.numbers(0, 50), "wanted thicknesses in mm such as [0.05, 0.1, 0.2]")
    ] = (0.05, 0.1, 0.2)
    screws: Annotated[
        list[ScrewSection], Field(description="wanted two to eight screws, each with a name and at = [x, y]")
    ]


class Also(Section):
    """What stands at another address of the same host; every key but the path is a JSONPath."""

    path: UrlPath
    taken_at: JsonPath | None = None
    bed_celsius: JsonPath | None = None
    plate: JsonPath | None = None
    identity: JsonPath | None = None


_CORNERS = Literal["front-left", "front-right", "rear-left", "rear-right"]


class Mapping(Section):
    """How a host's answer maps onto a mesh."""

    name: Name
    path: UrlPath
    heights: JsonPath | None = None
    answer: Literal["json", "text"] = Field("json", description='wanted "json" or "text"')
    layout: Literal["rows", "flat", "points"] = Field("rows", description='wanted "rows", "flat" or "points"')
    columns: Annotated[
        int | str | None,
        *reads(fields.columns, "wanted how many heights stand in a row (3 to 1000), or a JSONPath that says so"),
    ] = None
    point_x: JsonPath | None = None
    point_y: JsonPath | None = None
    point_z: JsonPath | None = None
    first: _CORNERS = Field(
        "front-left", description='wanted the corner of the first value: "front-left", "front-right", "rear-left" '
        'or "rear-right"',
    )  # fmt: skip
    order: Literal["along-x", "along-y"] = Field("along-x", description='wanted "along-x" or "along-y"')
    serpentine: bool = Field(False, description="wanted true or false")
    unit: Literal["mm", "um", "inch"] = Field("mm", description='wanted "mm", "um" or "inch"')
    sign: Literal["bed-up", "bed-down"] = Field("bed-up", description='wanted "bed-up" or "bed-down"')
    x: Coordinate | None = None
    y: Coordinate | None = None
    taken_at: JsonPath | None = None
    taken_at_format: Annotated[
        str | None, *reads(fields.time_format, 'wanted a format of day and time such as "%d.%m.%Y %H:%M:%S"')
    ] = None
    taken_at_zone: Annotated[
        ZoneInfo | None, *reads(fields.time_zone, 'wanted an IANA time zone such as "Europe/Dublin"')
    ] = None
    bed_celsius: JsonPath | None = None
    temperature_is: Literal["at-probing", "now"] = Field("at-probing", description='wanted "at-probing" or "now"')
    plate: JsonPath | None = None
    identity: JsonPath | None = None
    headers: Annotated[
        dict[str, str | Secret], *reads(fields.named_values, "wanted a table of names and env: or file: sources")
    ] = Field(default_factory=dict)
    query: Annotated[
        dict[str, str | Secret], *reads(fields.named_values, "wanted a table of names and env: or file: sources")
    ] = Field(default_factory=dict)
    also: Annotated[
        tuple[Also, ...], BeforeValidator(lambda value: tuple(value) if isinstance(value, list) else value),
        Field(description="wanted a list of tables, each with a path"),
    ] = ()  # fmt: skip

    @property
    def mark(self) -> str:
        """What readings remember of the mapping that read them: two that read every answer alike share it.

        Only what shapes the mesh enters; name, path, headers and what stands beside the mesh may change freely.
        """
        shaping = (
            self.answer, self.layout, self.heights, self.columns, self.point_x, self.point_y, self.point_z, self.first,
            self.order, self.serpentine, self.unit, self.sign, self.x, self.y,
        )  # fmt: skip
        return hashlib.sha256(repr(shaping).encode()).hexdigest()[:16]


class Machine(Section):
    """One machine of the farm."""

    name: Name
    model: str = Field(description="wanted the name of a model")
    aisle: Annotated[str, *reads(lambda v: fields.name(v) if v != "" else v, "wanted printable text")] = ""
    mapping: str | None = Field(None, description="wanted the name of a mapping, or leave it out")
    address: Annotated[
        str | None,
        *reads(fields.address, 'wanted an address such as "http://10.20.1.11" without user, password or query'),
    ] = None
    every_minutes: float | None = Field(None, ge=0.05, le=10080, description=_EVERY)


_SECURITY = Literal["starttls", "tls", "none-on-loopback"]


class Mail(Section):
    """[mail]: who sends the weekly report to whom, and through which server."""

    host: Name
    port: int = Field(587, ge=1, le=65535, description="wanted a port from 1 to 65535")
    security: _SECURITY = Field("starttls", description='wanted "starttls", "tls" or "none-on-loopback"')
    user: Name | None = None
    password: Annotated[Secret | None, *reads(fields.secret, "wanted the source of the password")] = None
    sender: MailAddress
    report_to: Annotated[
        tuple[MailAddress, ...],
        BeforeValidator(lambda value: tuple(value) if isinstance(value, list) else value),
        Field(min_length=1, description="wanted a list of one or more mail addresses"),
    ]
    notices_to: Annotated[
        tuple[MailAddress, ...],
        BeforeValidator(lambda value: tuple(value) if isinstance(value, list) else value),
        Field(description="wanted a list of mail addresses"),
    ] = ()
    """Who is told when a ticket is proposed, comes back or is proven."""


class Tickets(Section):
    """[tickets]: what the farm has agreed on for its maintenance tickets."""

    approve_up_to_mm: float | None = Field(
        None,
        gt=0,
        le=20,
        description="wanted mm: tickets for screws alone up to this range need no approval; leave it out for none",
    )
    plan_ahead: bool = Field(False, description="wanted true or false")
    """Whether a forecast within four weeks opens a ticket before the limit is passed."""
    probings_to_prove: int = Field(2, ge=1, le=20, description="wanted a whole number from 1 to 20")


class Webhook(Section):
    """[webhook]: where what happens to tickets is posted."""

    url: Annotated[
        str | Secret,
        *reads(
            fields.hook_address,
            'wanted an http or https address without user, password or query, or its source: "env:NAME", "file:PATH"',
        ),
    ]
    headers: Annotated[
        dict[str, str | Secret], *reads(fields.named_values, "wanted a table of names and env: or file: sources")
    ] = Field(default_factory=dict)
    template: Annotated[
        Path | None, *reads(fields.folder_path, "wanted the path of a Jinja2 template, or leave it out")
    ] = None
    """The farm's own body in place of CloudEvents 1.0 JSON."""
    content_type: Annotated[str, *reads(fields.media_type, 'wanted a media type such as "application/json"')] = (
        "application/json"
    )
    deadline_seconds: float = Field(15.0, ge=0.05, le=600, description="wanted seconds from 0.05 to 600")


SYSTEM_WIDE = Path("/etc/farmwatch/config.toml")


def absolute(path: Path) -> Path:
    """Absolute, but with its links as they are: relative paths in a configuration start beside the name it goes by."""
    return Path(os.path.abspath(path))  # noqa: PTH100  # Path.resolve would follow links


class Settings(Section):
    """The whole configuration, checked."""

    farm: Farm
    limits: Annotated[Limits, Field(default_factory=Limits)]
    poll: Annotated[Poll, Field(default_factory=Poll)]
    models: dict[str, Model]
    mappings: dict[str, Mapping]
    machines: tuple[Machine, ...]
    service: Annotated[ServiceSection, Field(default_factory=ServiceSection)]
    pages: Annotated[Pages, Field(default_factory=Pages)]
    people: dict[str, Person] = Field(default_factory=dict)
    mail: Mail | None = None
    tickets: Annotated[Tickets, Field(default_factory=Tickets)]
    webhook: Webhook | None = None
    site: Annotated[Site, Field(default_factory=Site)]
    company: Company | None = None
    path: Path | None = None
    """The file it was read from."""
    warnings: tuple[str, ...] = ()
    """What is worth a second look but no fault: shown by `check`."""

    @property
    def addresses(self) -> dict[str, str]:
        """By machine that has a host, its address."""
        return {machine.name: machine.address for machine in self.machines if machine.address is not None}

    @property
    def read_by(self) -> dict[str, str]:
        """By machine with a mapping, the mark that its readings get."""
        marks = {name: mapping.mark for name, mapping in self.mappings.items()}
        return {machine.name: marks[machine.mapping] for machine in self.machines if machine.mapping}

    @property
    def site_name(self) -> str:
        """What the farm is called among the sites of its company."""
        return self.site.name or self.farm.name

    @property
    def edition_url(self) -> str | None:
        """The address below which the farm's reports are read; None where nobody has said."""
        url = self.site.edition or (self.pages.url and f"{self.pages.url.rstrip('/')}/reports")
        return url.rstrip("/") if url else None

    def machine(self, name: str) -> Machine:
        """The machine of that name; raises InputError naming the nearest one."""
        for machine in self.machines:
            if machine.name == name:
                return machine
        like = nearest(name, (machine.name for machine in self.machines))
        hint = f"; did you mean {shown(like)}?" if like else ""
        raise InputError(f"no machine is called {shown(name)}{hint}")


SECTIONS: dict[str, type[Section]] = {
    "farm": Farm,
    "limits": LimitsSection,
    "poll": Poll,
    "service": ServiceSection,
    "pages": Pages,
    "mail": Mail,
    "tickets": Tickets,
    "webhook": Webhook,
    "site": Site,
    "company": Company,
}
"""The sections that are one table each, in the order in which a reader meets them."""
