"""The configuration as it was checked, secrets named and never shown; since when it is in force, what was changed."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import Any

from flask import Response
from pydantic import BaseModel

from farmwatch.config import Secret, Settings
from farmwatch.config.settings import WeeklyTime, Working
from farmwatch.pages.app import source
from farmwatch.pages.look import page

__all__ = ["settings"]

CHANGES_SHOWN = 40
DAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
_SECTIONS = ("farm", "limits", "poll", "service", "pages", "tickets", "mail", "webhook")
_NAMED = ("people", "models", "mappings")


def settings() -> Response:
    """Section by section, in the order of the file."""
    farm = source()
    found = farm.settings()
    sections = [
        (f"[{name}]", list(_rows(getattr(found, name)))) for name in _SECTIONS if getattr(found, name) is not None
    ]
    for kind in _NAMED:
        sections += [
            (f"[{kind}.{name}]", list(_rows(one, leave={"name"}))) for name, one in getattr(found, kind).items()
        ]
    return page(
        "settings.html",
        settings=found,
        sections=sections,
        machines=len(found.machines),
        read_at=farm.read_at(),
        at=farm.clock(),
        fault=farm.configuration_fault(),
        changes=farm.store.page_changes(CHANGES_SHOWN),
        hosts=_by_mapping(found),
    )


def _by_mapping(found: Settings) -> dict[str, int]:
    counted: dict[str, int] = {}
    for machine in found.machines:
        counted[machine.mapping or "imported"] = counted.get(machine.mapping or "imported", 0) + 1
    return counted


def _rows(section: Any, leave: frozenset[str] | set[str] = frozenset()) -> Iterator[tuple[str, str]]:
    names = [one.name for one in fields(section)] if is_dataclass(section) else list(type(section).model_fields)
    for name in names:
        if name not in leave:
            yield name, said(getattr(section, name))


def said(value: object) -> str:
    """A value as a person would write it; of a secret its source alone."""
    if isinstance(value, Secret):
        return f"from {value.source}"
    if value is None or value == () or value == {} or value == frozenset():
        return "not set"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return f"{value:g}"
    if isinstance(value, WeeklyTime):
        return f"{DAYS[value.weekday]} {value.hour:02d}:{value.minute:02d}"
    if isinstance(value, Working):
        days = ",".join(DAYS[day] for day in sorted(value.weekdays))
        start, end = (f"{minute // 60:02d}:{minute % 60:02d}" for minute in (value.start_minute, value.end_minute))
        return f"{days} {start}-{end}"
    if isinstance(value, BaseModel) or is_dataclass(value):
        return ", ".join(f"{name} {words}" for name, words in _rows(value) if words != "not set")
    if isinstance(value, Mapping):
        return ", ".join(f"{name}: {said(one)}" for name, one in value.items())
    if isinstance(value, tuple | list | frozenset | set):
        return "; ".join(said(one) for one in (sorted(value, key=str) if isinstance(value, frozenset | set) else value))
    return str(value) if not isinstance(value, Path) else value.as_posix()
