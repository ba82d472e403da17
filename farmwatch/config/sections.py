"""One table of the configuration as its section: what is wrong in it, said in the words of its fields."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, TypeVar, get_args

from pydantic import ValidationError
from pydantic.fields import FieldInfo

from farmwatch.config.faults import KeyPath, Notes, Place, shown
from farmwatch.config.settings import Mapping as MeshMapping
from farmwatch.config.settings import Person, Section
from farmwatch.text import nearest

__all__ = ["SectionReader"]

# Keys whose value may be a secret written by mistake: it is never repeated, not even in an error.
_NEVER_SHOWN = frozenset({"headers", "query", "password", "token"})
_SHOWN_IN_PART = frozenset({"address", "path"})

# The heading names them: [mappings.NAME].
_NAMED_BY_TABLE = (MeshMapping, Person)

S = TypeVar("S", bound=Section)


class SectionReader:
    """Reads tables into sections; every fault goes to `notes`. Relative paths start from `folder`."""

    def __init__(self, folder: Path, notes: Notes) -> None:
        self.folder = folder
        self.notes = notes

    def section(self, place: Place, raw: object, kind: type[S]) -> S | None:
        """One table as its section; every fault of its own is noted."""
        if not isinstance(raw, dict):
            self.notes.fault(place, _got(place.path, raw), "wanted a table")
            return None
        try:
            return kind.model_validate(raw, context={"folder": self.folder})
        except ValidationError as error:
            for fault in error.errors(include_url=False):
                self._explain(place, kind, fault)
            return None

    def _explain(self, table: Place, kind: type[Section], fault: Mapping[str, Any]) -> None:
        place = table.under(*fault["loc"])
        field, owner = _field(kind, fault["loc"])
        if fault["type"] == "extra_forbidden":
            self.unknown(place, [name for name in owner.model_fields if owner not in _NAMED_BY_TABLE or name != "name"])
            return
        wanted = _wanted(field) or "wanted another value"
        if fault["type"] == "missing":
            self.notes.fault(place, "", f"is missing; {wanted}")
            return
        why = str(fault["ctx"]["error"]) if fault["type"] == "value_error" else ""
        self.notes.fault(place, _got(place.path, fault["input"]), f"{why}; {wanted}" if why else wanted)

    def unknown(self, place: Place, known: Sequence[str]) -> None:
        """Note a key that has no meaning here, with the nearest one that has."""
        like = nearest(str(place.path[-1]), known)
        hint = f"did you mean {like}?" if like else f"known here: {', '.join(known)}"
        self.notes.fault(place, "", f"unknown key; {hint}")


def _got(path: KeyPath, value: object) -> str:
    """The value as an error may show it."""
    if _NEVER_SHOWN & set(path):
        return ""
    if path and path[-1] == "url" and isinstance(value, str):
        return _host_alone(value)
    if path and path[-1] in _SHOWN_IN_PART and isinstance(value, str):
        return _without_secrets(value)
    return shown(value)


def _host_alone(address: str) -> str:
    """An address as far as its host: a receiver's key often stands in its path."""
    scheme, mark, rest = address.partition("://")
    if not mark or "@" in rest:
        return ""
    return shown(f"{scheme}://{re.split('[/?#]', rest, maxsplit=1)[0]}/...")


def _without_secrets(address: str) -> str:
    """An address less user, password and query; nothing at all where it cannot be told which is which."""
    if "@" in address:
        return "" if set("?#") & set(address) else shown(f"...@{address.rpartition('@')[2]}")
    for mark in "?#":
        address = address.partition(mark)[0] + ("?..." if mark == "?" and mark in address else "")
    return shown(address)


def _field(kind: type[Section], loc: Sequence[str | int]) -> tuple[FieldInfo | None, type[Section]]:
    """The field that `loc` leads to, or the last one known on the way, and the section it stands in."""
    field: FieldInfo | None = None
    owner = kind
    for part in loc:
        if isinstance(part, int):
            owner = _section_in(field) or owner
            continue
        if field is not None and part not in owner.model_fields:
            break
        field = owner.model_fields.get(part)
    return field, owner


def _section_in(field: FieldInfo | None) -> type[Section] | None:
    for inner in get_args(field.annotation) if field else ():
        if isinstance(inner, type) and issubclass(inner, Section):
            return inner
    return None


def _wanted(field: FieldInfo | None) -> str:
    """The description of a field, or of the type it is made of."""
    if field is None:
        return ""
    if field.description:
        return field.description
    stack = [field.annotation]
    while stack:
        inner = stack.pop()
        for part in getattr(inner, "__metadata__", ()):
            if isinstance(part, FieldInfo) and part.description:
                return part.description
        stack.extend(get_args(inner))
    return ""
