"""From the file to the settings: read, check section by section, then across sections, and say everything at once."""

from __future__ import annotations

import os
import tomllib
from dataclasses import replace
from pathlib import Path
from typing import Any

from farmwatch.config import rules
from farmwatch.config.faults import ConfigError, KeyPath, Notes, Place, shown
from farmwatch.config.locate import locate
from farmwatch.config.machines_file import read_machines_file
from farmwatch.config.sections import SectionReader
from farmwatch.config.settings import (
    SECTIONS,
    SYSTEM_WIDE,
    Company,
    Farm,
    Machine,
    Mapping,
    ModelSection,
    Person,
    Section,
    Settings,
    absolute,
)
from farmwatch.model import Limits, Model, Screw

__all__ = ["find_config", "load_company", "load_settings"]

_TOP = (*SECTIONS, "people", "models", "mappings", "machines", "machines_file")


def find_config(path: Path | None) -> Path:
    """Where the configuration is: `path`, FARMWATCH_CONFIG, ./config.toml or /etc/farmwatch/config.toml."""
    if path is None and os.environ.get("FARMWATCH_CONFIG"):
        path = Path(os.environ["FARMWATCH_CONFIG"])
    if path is not None:
        return path
    for candidate in (Path("config.toml"), SYSTEM_WIDE):
        if candidate.is_file():
            return candidate
    raise ConfigError(
        f"no configuration: there is no config.toml here and no {SYSTEM_WIDE}; "
        "name one with --config FILE, or begin with: farmwatch init"
    )


def load_settings(path: Path | None = None) -> Settings:
    """Read and check the configuration: `path`, FARMWATCH_CONFIG, ./config.toml or /etc/farmwatch/config.toml.

    Raises ConfigError with every fault at once, in file order.
    """
    found = find_config(path)
    text = _read_text(found)
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ConfigError(f"{found}: not TOML: {error}") from None
    except RecursionError:
        raise ConfigError(f"{found}: not TOML that can be read: it is nested too deeply") from None
    notes = Notes()
    settings = _Reader(raw, absolute(found).parent, notes).settings(found)
    lines = locate(text) if notes.faults or notes.warnings else {}
    faults = notes.settle(str(found), notes.faults, lines)
    if faults or settings is None:
        raise ConfigError.of(faults, str(found))
    warnings = tuple(str(warning) for warning in notes.settle(str(found), notes.warnings, lines))
    return settings.model_copy(update={"warnings": warnings})


def load_company(path: Path | None = None) -> Company:
    """The [company] section of the configuration, which need not be a farm's; its defaults where there is none.

    Raises ConfigError for a file that was named and cannot be read, and for faults in that section.
    """
    try:
        found = find_config(path)
    except ConfigError:
        return Company.model_validate({})
    try:
        raw = tomllib.loads(text := _read_text(found))
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise ConfigError(f"{found}: not TOML: {error}") from None
    notes = Notes()
    section = _Reader(raw, absolute(found).parent, notes).table(("company",), Company)
    if notes.faults:
        raise ConfigError.of(notes.settle(str(found), notes.faults, locate(text)), str(found))
    return section if isinstance(section, Company) else Company.model_validate({})


def _read_text(path: Path) -> str:
    try:
        return path.read_bytes().decode("utf-8-sig")
    except OSError as error:
        raise ConfigError(f"{path}: the configuration cannot be read: {error.strerror or error}") from None
    except UnicodeDecodeError as error:
        line = path.read_bytes()[: error.start].count(b"\n") + 1
        raise ConfigError(f"{path} line {line}: the configuration is not UTF-8 text") from None


class _Reader(SectionReader):
    """One pass over the raw tables; faults go to `notes`, what is sound comes out typed."""

    def __init__(self, raw: dict[str, Any], folder: Path, notes: Notes) -> None:
        super().__init__(folder, notes)
        self.raw = raw

    def settings(self, path: Path) -> Settings | None:
        for key in self.raw:
            if key not in _TOP:
                self.unknown(Place((key,)), _TOP)
        sections = {name: self.table((name,), kind) for name, kind in SECTIONS.items()}
        models = {
            name: model
            for name, table in self.tables("models").items()
            if (model := self.model(name, table)) is not None
        }
        mappings = {
            name: mapping
            for name, table in self.tables("mappings").items()
            if (mapping := self.mapping(name, table)) is not None
        }
        people = {
            name: person
            for name, table in self.tables("people").items()
            if (person := self.person(name, table)) is not None
        }
        rows = self.machine_rows()
        machines = [machine for place, row in rows if (machine := self.section(place, row, Machine)) is not None]
        rules.check_limits(sections["limits"], self.notes)
        rules.check_mail(sections["mail"], self.notes)
        rules.check_webhook(self.raw.get("webhook"), self.notes)
        rules.check_serving(sections["service"], sections["pages"], self.tables("people"), self.notes)
        rules.check_machines(rows, list(self.tables("models")), self.tables("mappings"), self.notes)
        rules.check_places(models, mappings, machines, self.notes)
        if self.notes.faults:
            return None
        if not rows:
            at = "machines_file" if "machines_file" in self.raw else "machines"
            self.notes.warn((at,), "no machine is described yet")
        values: dict[str, Any] = {name: section for name, section in sections.items() if section is not None}
        if "limits" in values:
            values["limits"] = limits = Limits(**values["limits"].model_dump())
            # Who judges a mesh knows its model, not the farm's limits.
            models = {name: replace(model, covered_share=limits.covered_share) for name, model in models.items()}
        return Settings(
            **values,
            models=models,
            mappings=mappings,
            people=people,
            machines=tuple(machines),
            path=absolute(path),
        )

    def table(self, at: KeyPath, kind: type[Section]) -> Section | None:
        name = at[0]
        if name in self.raw:
            return self.section(Place(at), self.raw[name], kind)
        if kind is Farm:
            self.notes.fault(at, "", "wanted a [farm] table with name, timezone, database and reports")
        return None

    def tables(self, name: str) -> dict[str, Any]:
        """The named tables under [models] or [mappings]; anything else there is a fault, said once."""
        tables = self.raw.get(name, {})
        if isinstance(tables, dict):
            return tables
        self.raw[name] = {}
        self.notes.fault((name,), shown(tables), f"wanted tables such as [{name}.first-one]")
        return {}

    def model(self, name: str, raw: object) -> Model | None:
        at = ("models", name)
        rules.check_name(at, name, self.notes)
        section = self.section(Place(at), raw, ModelSection)
        rules.check_model(at, raw, self.notes)
        if section is None or self.notes.any_under(at):
            return None
        fields = section.model_dump(exclude={"screws"})
        screws = tuple(
            Screw(name=screw.name, x_mm=screw.at[0], y_mm=screw.at[1], reference=screw.reference)
            for screw in section.screws
        )
        return Model(name=name, screws=screws, **fields)

    def mapping(self, name: str, raw: object) -> Mapping | None:
        at = ("mappings", name)
        rules.check_name(at, name, self.notes)
        if isinstance(raw, dict) and "name" in raw:
            self.unknown(Place((*at, "name")), [key for key in Mapping.model_fields if key != "name"])
        rules.check_mapping(at, raw, self.notes)
        return self.section(Place(at), {**raw, "name": name} if isinstance(raw, dict) else raw, Mapping)

    def person(self, name: str, raw: object) -> Person | None:
        at = ("people", name)
        rules.check_name(at, name, self.notes)
        if isinstance(raw, dict) and "name" in raw:
            self.unknown(Place((*at, "name")), [key for key in Person.model_fields if key != "name"])
        rules.check_person(at, raw, self.notes)
        return self.section(Place(at), {**raw, "name": name} if isinstance(raw, dict) else raw, Person)

    def machine_rows(self) -> list[tuple[Place, dict[str, Any]]]:
        """Every machine as written, with its place: from the file itself or from the machines file."""
        raw = self.raw.get("machines", [])
        if "machines_file" in self.raw:
            if "machines" in self.raw:
                self.notes.fault(("machines_file",), "", "takes the place of [[machines]]; leave one of the two out")
            return read_machines_file(self.raw["machines_file"], self.folder, self.notes)
        if not isinstance(raw, list) or not all(isinstance(table, dict) for table in raw):
            self.notes.fault(("machines",), "", "wanted tables headed [[machines]]")
            return []
        return [(Place(("machines", number)), table) for number, table in enumerate(raw)]
