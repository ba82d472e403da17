"""Walks an unknown answer with bounded work, and notes what stands where: numbers, lists, blocks, lists of objects."""

from __future__ import annotations

import re
from collections import deque
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

__all__ = ["WILD", "Inventory", "Path", "json_path", "shared", "take_inventory", "words", "wordset"]

Path = tuple[str | int, ...]

WILD = "\0*"
"""The step of a path that stands for every element."""

_ESCAPES = {"\\": "\\\\", "'": "\\'", "\b": "\\b", "\t": "\\t", "\n": "\\n", "\f": "\\f", "\r": "\\r"}
MOST_VISITS = 50_000
MOST_DEPTH = 40
MOST_KEYS = 2_000
MOST_ELEMENTS = 40
_NUMBERS = {int, float}
_NUMBERS_OR_NULL = {int, float, type(None)}
_NAME = re.compile(r"[A-Za-z_][A-Za-z0-9_]*\Z")
_WORD = re.compile(r"[A-Z]?[a-z]+|[A-Z]+(?![a-z])|\d+|[^\W\d_]+")


@dataclass(slots=True)
class Inventory:
    """What an answer holds, each with its path, in the order of the answer (broad before deep)."""

    scalars: list[tuple[Path, Any]] = field(default_factory=list)
    """Numbers and texts."""
    lists: list[tuple[Path, list[Any]]] = field(default_factory=list)
    """Lists of two or more numbers (null among them)."""
    blocks: list[tuple[Path, list[list[Any]]]] = field(default_factory=list)
    """Lists of lists of numbers, all equally long."""
    tables: list[tuple[Path, list[dict[str, Any]]]] = field(default_factory=list)
    """Lists of objects."""
    numeric_maps: list[tuple[Path, dict[str, list[Any]]]] = field(default_factory=list)
    """Objects whose every value is a list of numbers, all equally long."""
    whole: bool = True
    """False where the answer was too large to be walked to its end."""


def take_inventory(document: Any) -> Inventory:
    """Note what stands in `document`; at most MOST_VISITS values are looked at."""
    inventory = Inventory()
    waiting: deque[tuple[Path, Any]] = deque([((), document)])
    for _ in range(MOST_VISITS):
        if not waiting:
            return inventory
        path, value = waiting.popleft()
        if isinstance(value, dict):
            _object(path, value, inventory)
            inner: list[tuple[str | int, Any]] = list(value.items())[:MOST_KEYS]
        elif isinstance(value, list) and not _list(path, value, inventory):
            inner = list(enumerate(value[:MOST_ELEMENTS]))
        else:
            if isinstance(value, int | float | str) and not isinstance(value, bool):
                inventory.scalars.append((path, value))
            continue
        if len(path) < MOST_DEPTH:
            waiting.extend(((*path, step), part) for step, part in inner)
        elif inner:
            inventory.whole = False
    inventory.whole = not waiting
    return inventory


def _object(path: Path, value: dict[str, Any], inventory: Inventory) -> None:
    parts = list(value.values())
    if 3 <= len(parts) <= 200 and all(_row(part) for part in parts) and len({len(part) for part in parts}) == 1:
        inventory.numeric_maps.append((path, value))


def _list(path: Path, value: list[Any], inventory: Inventory) -> bool:
    """Note a list; True where there is nothing to look for within it."""
    kinds = set(map(type, value))
    if kinds <= _NUMBERS_OR_NULL and kinds & _NUMBERS:
        if len(value) > 1:
            inventory.lists.append((path, value))
        return True
    if kinds == {list} and len(value) > 2 and len(value[0]) > 1:
        width = len(value[0])
        if all(len(row) == width and set(map(type, row)) <= _NUMBERS_OR_NULL for row in value):
            inventory.blocks.append((path, value))
            return True
    if kinds == {dict} and len(value) > 2:
        inventory.tables.append((path, value))
    return False


def _row(value: Any) -> bool:
    if type(value) is not list or len(value) < 3:
        return False
    kinds = set(map(type, value))
    return kinds <= _NUMBERS_OR_NULL and bool(kinds & _NUMBERS)


def json_path(path: Path) -> str:
    """The path as RFC 9535 writes it."""
    return "$" + "".join(_step(step) for step in path)


def _step(step: str | int) -> str:
    if isinstance(step, int):
        return f"[{step}]"
    if step == WILD:
        return "[*]"
    if _NAME.match(step):
        return f".{step}"
    return "['" + "".join(_ESCAPES.get(sign, sign) for sign in step) + "']"


def wordset(text: str) -> frozenset[str]:
    """A set of small words, written with blanks between them."""
    return frozenset(text.split())


@lru_cache(maxsize=10_000)
def words(step: str | int) -> tuple[str, ...]:
    """The words of a name, small: "plateLevel_2" is plate, level, 2."""
    return tuple(word.lower() for word in _WORD.findall(step[:100])) if isinstance(step, str) else ()


def shared(one: Path, other: Path) -> int:
    """How many steps two paths have in common from the root: the more, the nearer they stand."""
    count = 0
    for a, b in zip(one, other, strict=False):
        if a != b:
            break
        count += 1
    return count
