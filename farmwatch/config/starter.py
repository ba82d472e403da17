"""The files that `farmwatch init` leaves to fill in."""

from pathlib import Path

__all__ = ["write_starter"]


def write_starter(folder: Path) -> tuple[Path, ...]:
    """Write config.toml and machines.csv into `folder`."""
    raise NotImplementedError
