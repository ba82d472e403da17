"""Small libraries in C that tests preload into processes."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

__all__ = ["COMPILER", "compiled"]

COMPILER = pytest.mark.skipif(shutil.which("cc") is None, reason="no C compiler `cc` for what is preloaded")


def compiled(source: Path, folder: Path) -> Path:
    """The library made of a source, in `folder`; raises FileNotFoundError where there is no C compiler."""
    library = folder / f"{source.stem}.so"
    subprocess.run(["cc", "-shared", "-fPIC", "-O1", "-o", library, source, "-ldl"], check=True)
    return library
