"""What came of an import or an export."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

__all__ = ["MOST_SHOWN", "Exported", "Imported", "Progress", "Refused"]

MOST_SHOWN = 20

Progress = Callable[[int, int], None]
"""Called now and then with how much is done and how much there is (bytes of files, or readings)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Refused:
    """One reading of a file that was not taken: where it stands, and why."""

    file: Path
    line: int
    """Counts from 1; a row where the file has no lines."""
    why: str

    def __str__(self) -> str:
        return f"{self.file}:{self.line}: {self.why}"


@dataclass(slots=True, kw_only=True)
class Imported:
    """What an import did so far; it is added to while files are read."""

    stored: int = 0
    same: int = 0
    """Readings that stood in the database already."""
    refused_count: int = 0
    refused: list[Refused] = field(default_factory=list)
    """The first `MOST_SHOWN` of them."""
    not_read: set[str] = field(default_factory=set)
    """Names of members or columns that mean nothing here."""

    def refuse(self, file: Path, line: int, why: str) -> None:
        """Count a refusal and keep its words where there is room."""
        self.refused_count += 1
        if len(self.refused) < MOST_SHOWN:
            self.refused.append(Refused(file=file, line=line, why=why))


@dataclass(frozen=True, slots=True, kw_only=True)
class Exported:
    """What an export wrote."""

    readings: int
    files: tuple[Path, ...]
