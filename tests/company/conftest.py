"""A lake of three small sites, made once; tests that spoil it take a copy."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest

from farmwatch.company.manifest import folder_of
from farmwatch.history import Note
from tests.company.lakes import EXPORTED_AT, SITES, Farm, a_farm
from tests.farm import NOW

TILTS = (
    {"heron-01": 0.35, "heron-02": 0.05, "heron-03": 0.14},
    {"plover-01": 0.05, "plover-02": 0.06},
    {"avocet-01": 0.25, "avocet-02": 0.05, "avocet-03": 0.30, "avocet-04": 0.02},
)


@pytest.fixture(scope="session")
def three(tmp_path_factory: pytest.TempPathFactory, new_database: bytes) -> tuple[dict[str, Farm], Path]:
    """Three farms by their site's name, and the lake that they have written."""
    top = tmp_path_factory.mktemp("company")
    farms = {}
    for site, tilts in zip(SITES, TILTS, strict=True):
        farms[site] = a_farm(top / site, new_database, site, tilts, days=range(-24, 0, 2))
        farms[site].store.add_note(Note(machine=next(iter(tilts)), at=NOW, what="belt"))
        farms[site].export(top / "lake")
        # As if the storage's clock stood with the site's.
        at = EXPORTED_AT.timestamp()
        os.utime(top / "lake" / folder_of(site) / "manifest.json", (at, at))
    return farms, top / "lake"


@pytest.fixture
def lake(three: tuple[dict[str, Farm], Path], tmp_path: Path) -> Path:
    """A lake of the test's own."""
    shutil.copytree(three[1], tmp_path / "lake", copy_function=shutil.copy2)
    return tmp_path / "lake"
