"""The invented farm, as it stands at the end of its week and a week before."""

import importlib.util
import sys
from pathlib import Path
from types import ModuleType
from zoneinfo import ZoneInfo

import pytest

from farmwatch.report.view import FarmFacts, WeeklyView, weekly_view
from farmwatch.report.week import Week


def _load() -> ModuleType:
    path = Path(__file__).with_name("invented.py")
    spec = importlib.util.spec_from_file_location("report_invented", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="session")
def invented() -> ModuleType:
    return _load()


@pytest.fixture(scope="session")
def farm() -> FarmFacts:
    return FarmFacts(name="Saltmarsh Tidegate Works", zone=ZoneInfo("Europe/Dublin"), week=Week(2026, 47))


@pytest.fixture(scope="session")
def view(invented: ModuleType, farm: FarmFacts) -> WeeklyView:
    return weekly_view(invented.invented_fleet(), invented.invented_fleet(invented.WEEK_START), farm)


@pytest.fixture(scope="session")
def with_tickets(invented: ModuleType, farm: FarmFacts) -> WeeklyView:
    """The same farm, with its book of tickets."""
    now = invented.invented_fleet()
    return weekly_view(now, invented.invented_fleet(invented.WEEK_START), farm, invented.booked(now))
