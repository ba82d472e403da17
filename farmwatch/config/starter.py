"""The files that `farmwatch init` leaves to fill in."""

from __future__ import annotations

from importlib import resources
from pathlib import Path

from farmwatch.errors import InputError

__all__ = ["write_starter"]

_NAMES = ("config.toml", "machines.csv")


def write_starter(folder: Path) -> tuple[Path, ...]:
    """Write a commented config.toml and machines.csv into `folder`; raises InputError rather than write over a file."""
    paths = tuple(folder / name for name in _NAMES)
    there = [path for path in paths if path.exists()]
    if there:
        raise InputError(f"{there[0]} is there already and stays as it is; name another folder")
    templates = resources.files("farmwatch.config") / "templates"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for path in paths:
            with path.open("x", encoding="utf-8") as file:
                file.write((templates / path.name).read_text(encoding="utf-8"))
    except OSError as error:
        raise InputError(f"{error.filename or folder} cannot be written: {error.strerror or error}") from None
    return paths
