"""Where the configuration lies, and what relative paths in it start from."""

from __future__ import annotations

import os
from pathlib import Path

__all__ = ["SYSTEM_WIDE", "configuration", "folder_of"]

SYSTEM_WIDE = Path("/etc/farmwatch/config.toml")


def configuration(named: Path | None) -> Path | None:
    """Where the configuration is: `named`, FARMWATCH_CONFIG, ./config.toml, /etc/farmwatch/config.toml, or nowhere."""
    if named is None and os.environ.get("FARMWATCH_CONFIG"):
        named = Path(os.environ["FARMWATCH_CONFIG"])
    if named is not None:
        return named
    return next((candidate for candidate in (Path("config.toml"), SYSTEM_WIDE) if candidate.is_file()), None)


def folder_of(configuration: Path) -> Path:
    """The folder that relative paths of a configuration start from."""
    return Path(os.path.abspath(configuration)).parent  # noqa: PTH100 (absolute, but links are left as they are)
