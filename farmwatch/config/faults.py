"""What is wrong in a configuration and where: collected, put in file order and said all at once.

No value of a secret enters here: a key that may hold one is said to be "not shown".
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from farmwatch.errors import FarmwatchError

__all__ = ["ConfigError", "Fault", "KeyPath", "Notes", "Place", "key_text", "shown"]

KeyPath = tuple[str | int, ...]
"""Keys, and places in lists counted from 0, from the top of the file."""

LONGEST_VALUE_SHOWN = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One thing to mend: file and line, key path, the value got, what is wanted."""

    file: str
    line: int | None
    key: str
    got: str
    """Empty where there is nothing to show."""
    want: str

    def __str__(self) -> str:
        return self.told_in("")

    def told_in(self, file: str) -> str:
        """The fault in a line; the name of its file is left out where it is `file`."""
        place = [] if self.file == file else [self.file]
        place += [] if self.line is None else [f"line {self.line}"]
        about = [part for part in (self.key, f"got {self.got}" if self.got else "") if part]
        return ": ".join(part for part in (" ".join(place), ", ".join(about), self.want) if part)


class ConfigError(FarmwatchError):
    """All faults of a configuration, in file order."""

    def __init__(self, message: str, faults: Sequence[Fault] = ()) -> None:
        super().__init__(message)
        self.faults = tuple(faults)

    @classmethod
    def of(cls, faults: Sequence[Fault], file: str) -> ConfigError:
        """One fault is one line; more are a line each under a line that counts them."""
        if len(faults) == 1:
            return cls(str(faults[0]), faults)
        lines = (fault.told_in(file) for fault in faults)
        return cls("\n  ".join([f"{file} has {len(faults)} faults:", *lines]), faults)


@dataclass(frozen=True, slots=True)
class Place:
    """Where something stands: its key path, and file and line where that is not the main file."""

    path: KeyPath
    file: str | None = None
    line: int | None = None

    def under(self, *keys: str | int) -> Place:
        """The place of a key below this one."""
        return Place((*self.path, *keys), self.file, self.line)


@dataclass(frozen=True, slots=True)
class _Entry:
    place: Place
    got: str
    want: str


class Notes:
    """Faults and warnings as they are found; `settle` gives them their lines and their order."""

    def __init__(self) -> None:
        self.faults: list[_Entry] = []
        self.warnings: list[_Entry] = []

    def fault(self, place: Place | KeyPath, got: str, want: str) -> None:
        """Say what is wrong there."""
        self.faults.append(_Entry(place if isinstance(place, Place) else Place(place), got, want))

    def warn(self, place: Place | KeyPath, text: str) -> None:
        """Say what is worth a second look."""
        self.warnings.append(_Entry(place if isinstance(place, Place) else Place(place), "", text))

    def any_under(self, path: KeyPath) -> bool:
        """Whether a fault was found at `path` or below it."""
        return any(entry.place.path[: len(path)] == path for entry in self.faults)

    def settle(self, file: str, entries: Iterable[_Entry], lines: dict[KeyPath, int]) -> list[Fault]:
        """The entries as faults in file order; what stands in another file comes after the main one."""
        settled = []
        for number, entry in enumerate(entries):
            place = entry.place
            line = place.line if place.file else _line_of(place.path, lines)
            key = key_text(place.path)
            fault = Fault(file=place.file or file, line=line, key=key, got=entry.got, want=entry.want)
            settled.append(((place.file or "", line or 0, number), fault))
        return [fault for _, fault in sorted(settled, key=lambda pair: pair[0])]


def _line_of(path: KeyPath, lines: dict[KeyPath, int]) -> int | None:
    """The line of the key, or of the nearest table around it (a missing key has no line of its own)."""
    for length in range(len(path), 0, -1):
        if path[:length] in lines:
            return lines[path[:length]]
    return None


def key_text(path: KeyPath) -> str:
    """A key path as it would be written; places in lists count from 1."""
    text = ""
    for part in path:
        if isinstance(part, int):
            text += f"[{part + 1}]"
        else:
            bare = part.replace("-", "").replace("_", "").isalnum() and part.isascii()
            text += ("." if text else "") + (part if bare else shown(part))
    return text


def shown(value: object) -> str:
    """A value as plain, short text."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        text = '"' + "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in value) + '"'
    elif isinstance(value, dict):
        return "a table"
    elif isinstance(value, list | tuple):
        text = "[" + ", ".join(shown(item) for item in value[:8]) + (", ..." if len(value) > 8 else "") + "]"
    else:
        text = str(value)
    return text if len(text) <= LONGEST_VALUE_SHOWN else text[: LONGEST_VALUE_SHOWN - 3] + "..."
