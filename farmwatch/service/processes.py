"""How the service starts another process of this same farmwatch."""

from __future__ import annotations

import os
import sys

__all__ = ["command_line", "environment"]


def command_line(module: str, *arguments: str) -> list[str]:
    """What runs a module in this interpreter, without what lies in the current folder."""
    return [sys.executable, "-P", "-m", module, *arguments]


def environment() -> dict[str, str]:
    """The environment, with the places from which this process loads its modules."""
    return {**os.environ, "PYTHONPATH": os.pathsep.join(entry for entry in sys.path if entry)}
