"""An invented machine in every state that a ticket can meet."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from farmwatch.config import Farm, Machine, Settings
from farmwatch.history import Reading
from farmwatch.judge import Assessment, FleetAssessment
from farmwatch.judge.assessment import Plan, ReadingFacts
from farmwatch.mesh import Mesh
from farmwatch.model import Limits
from tests.farm import MODEL

AT = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)


def tilted(range_mm: float = 0.8, **changes: Any) -> Assessment:
    """heron-01, past the limit and confirmed, with a plan."""
    plan = Plan(
        teeth={"front-left": 0, "front-right": 1},
        range_after_mm=0.15,
        shims_mm={"front-left": 0.0, "front-right": 0.0, "rear": 0.1},
        range_after_shims_mm=0.09,
        turn_mm={"front-left": 0.0, "front-right": 0.4},
    )
    facts = ReadingFacts(taken_at=AT, time_from="host", rows=7, columns=7, bed_celsius=60.0, plate="A", judged=True)
    one = Assessment(
        machine="heron-01", model=MODEL, aisle="heron", in_service=True, reading=facts, range_mm=range_mm,
        range_sd_mm=0.01, condition="past-limit", confirmed=True, since=AT, cause="screws", advice=("realign",),
        plan=plan, tooth_floor_mm=0.15,
    )  # fmt: skip
    return replace(one, **changes)


def level(range_mm: float = 0.08, **changes: Any) -> Assessment:
    """heron-01 as it should be."""
    still = {"condition": "ideal", "cause": "none", "advice": ("leave",), "plan": None}
    return tilted(range_mm, **{**still, **changes})


def fleet(*machines: Assessment, at: datetime = AT) -> FleetAssessment:
    return FleetAssessment(at=at, limits=Limits(), machines=machines)


def later(hours: float) -> datetime:
    return AT + timedelta(hours=hours)


def settings_in(folder: Path, **sections: Any) -> Settings:
    """A farm of one machine without a host, its files in `folder`."""
    return Settings(
        farm=Farm(
            name="Saltmarsh Tidegate Works",
            timezone=ZoneInfo("Europe/Dublin"),
            database=folder / "farm.duckdb",
            reports=folder / "reports",
        ),
        models={MODEL.name: MODEL},
        mappings={},
        machines=(Machine(name="heron-01", model=MODEL.name, aisle="heron"),),
        **sections,
    )


def flat_reading(hours: float, range_mm: float, celsius: float | None = 60.0) -> Reading:
    """A reading of heron-01 whose raw range is `range_mm`, tilted to the right."""
    heights = np.tile(np.linspace(0.0, range_mm, 7), (7, 1))
    mesh = Mesh.accept(np.linspace(10, 210, 7), np.linspace(10, 210, 7), heights)
    return Reading(
        machine="heron-01",
        taken_at=later(hours),
        seen_at=later(hours),
        time_from="host",
        mesh=mesh,
        bed_celsius=celsius,
    )
