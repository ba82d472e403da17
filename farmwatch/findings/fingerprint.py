"""The fingerprint of all that a finding is made from: whatever changes any of it makes another one."""

from __future__ import annotations

import hashlib
import platform
from collections.abc import Mapping, Sequence
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

import farmwatch
from farmwatch.config import Machine, Settings
from farmwatch.sources import Known

__all__ = ["fingerprints"]

# What a finding is computed by; a change in any of it may change a digit.
_CODE = (
    "measure", "follow", "judge", "findings", "store", "history.py", "eligibility.py", "mesh.py", "model.py",
    "sources.py", "times.py", "assess.py",
)  # fmt: skip
_LIBRARIES = ("numpy", "scipy", "duckdb")


def fingerprints(
    settings: Settings, machines: Sequence[Machine], known: Known, *, following: bool, learned: Mapping[str, str]
) -> dict[str, bytes]:
    """By machine, of the limits, its model, its record as `known` has it, and the program that finds.

    learned: by model, what the farm has learned that findings rest on, as text. A machine of whose record nothing was
    said has none.
    """
    common = f"{_program()} {settings.limits!r} {following}"
    models = {name: f"{model!r} {learned.get(name, '')}" for name, model in settings.models.items()}
    read_by = settings.read_by
    found = {}
    for machine in machines:
        name = machine.name
        parts = (
            common, models[machine.model], name, str(read_by.get(name)), known.stamps.get(name, ""),
            repr(known.out.get(name, ())), repr(known.moves.get(name, ())),
        )  # fmt: skip
        found[name] = hashlib.sha256("\n".join(parts).encode()).digest()
    return found


@cache
def _program() -> str:
    """The code that finds, by its text, and what it rests on."""
    digest = hashlib.sha256()
    root = Path(farmwatch.__file__).parent
    for part in _CODE:
        for file in sorted((root / part).glob("*.py")) if (root / part).is_dir() else [root / part]:
            digest.update(file.name.encode() + b"\0" + file.read_bytes())
    return f"{digest.hexdigest()} {platform.machine()} {' '.join(map(_version, _LIBRARIES))}"


def _version(library: str) -> str:
    try:
        return version(library)
    except PackageNotFoundError:
        return "unknown"
