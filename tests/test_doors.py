"""Every package has a door: at most fifteen public names, all of them there; import-linter keeps the rest closed."""

from __future__ import annotations

import ast
import importlib
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
PACKAGES = sorted(path.parent.name for path in (ROOT / "farmwatch").glob("*/__init__.py"))
MOST_NAMES = 15


def _stated(package: str) -> list[str]:
    stub = ROOT / "farmwatch" / package / "__init__.pyi"
    tree = ast.parse(stub.read_text(encoding="utf-8"))
    return [name.asname or name.name for node in tree.body if isinstance(node, ast.ImportFrom) for name in node.names]


@pytest.mark.parametrize("package", [name for name in PACKAGES if name != "cli"])
def test_a_door_names_few_things_and_all_of_them_are_there(package: str) -> None:
    names = _stated(package)
    module = importlib.import_module(f"farmwatch.{package}")
    assert 0 < len(names) <= MOST_NAMES
    assert sorted(module.__all__) == sorted(names)
    for name in names:
        getattr(module, name)


@pytest.mark.parametrize("package", PACKAGES)
def test_a_door_says_what_its_package_is_for(package: str) -> None:
    assert (importlib.import_module(f"farmwatch.{package}").__doc__ or "").strip()


def test_nobody_may_reach_past_a_door() -> None:
    contracts = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["importlinter"][
        "contracts"
    ]
    closed = {one["protected_modules"][0] for one in contracts if one["type"] == "protected"}
    assert closed == {f"farmwatch.{package}.*" for package in PACKAGES}
