"""What is true in the demo's farm is what farmwatch says of it.

The farm is invented, its truth is known; farmwatch sees nothing but the hosts' answers. Every machine is compared
twice: at the report's hour, and at the moment the demo was asked for.
"""

from datetime import datetime, timedelta
from typing import Any

import pytest

from farmwatch.assess import assess
from farmwatch.config import load_settings
from farmwatch.demo.cases import farm_truth
from farmwatch.demo.truth import Expected, ExpectedStep, MachineTruth
from farmwatch.follow.findings import Step
from farmwatch.judge.assessment import Assessment, FleetAssessment
from farmwatch.store import Store

TRUTHS = {machine.name: machine for machine in farm_truth(27)}
# A step shows in the first mesh after it; a bed is probed at least every third day.
SLACK = timedelta(days=3.5)


@pytest.fixture(scope="module")
def judged(played: Any) -> dict[datetime, dict[str, Assessment]]:
    settings = load_settings(played.result.config)
    store = Store(settings.farm.database)
    said: dict[datetime, FleetAssessment] = {at: assess(settings, store, at) for at in (played.end, played.now)}
    return {at: {one.machine: one for one in fleet.machines} for at, fleet in said.items()}


@pytest.fixture(params=["at the end", "now"])
def said(request: pytest.FixtureRequest, played: Any, judged: Any) -> dict[str, Assessment]:
    found: dict[str, Assessment] = judged[played.end if request.param == "at the end" else played.now]
    return found


def _facts(one: Assessment) -> dict[str, object]:
    return {
        "condition": one.condition,
        "cause": one.cause,
        "advice": one.advice,
        "at_tooth_floor": one.at_tooth_floor,
        "in_service": one.in_service,
        "mesh_old": one.mesh_old,
        "warned": bool(one.warnings),
        "shown_is_judged": bool(one.reading and one.reading.judged),
        "teeth": one.plan.teeth if one.plan else None,
    }


def _wanted(expected: Expected) -> dict[str, object]:
    wanted = {name: getattr(expected, name) for name in _FACTS}
    if expected.teeth is not None:
        wanted["teeth"] = expected.teeth
    return wanted


_FACTS = (
    "condition", "cause", "advice", "at_tooth_floor", "in_service", "mesh_old", "warned", "shown_is_judged"
)  # fmt: skip


@pytest.mark.parametrize("name", TRUTHS)
def test_condition_cause_and_advice_are_true(said: dict[str, Assessment], name: str) -> None:
    wanted = _wanted(TRUTHS[name].expected)
    found = _facts(said[name])
    assert {fact: found[fact] for fact in wanted} == wanted


@pytest.mark.parametrize("name", TRUTHS)
def test_steps_are_found_named_and_none_invented(said: dict[str, Assessment], played: Any, name: str) -> None:
    found = said[name].steps
    wanted = TRUTHS[name].expected.steps
    assert len(found) == len(wanted), found
    for step, truth in zip(found, wanted, strict=True):
        assert _same_step(step, truth, played.end), (step, truth)


def _same_step(step: Step, truth: ExpectedStep, end: datetime) -> bool:
    happened = end - timedelta(days=truth.days_before)
    if step.name != truth.name or not happened <= step.at <= happened + SLACK:
        return False
    if truth.screw is not None and step.screw != truth.screw:
        return False
    return truth.teeth is None or step.teeth == truth.teeth


def test_every_past_limit_is_confirmed(said: dict[str, Assessment]) -> None:
    assert [one.machine for one in said.values() if one.condition == "past-limit" and not one.confirmed] == []


def _drifting() -> list[MachineTruth]:
    return [machine for machine in TRUTHS.values() if machine.bed.sinks]


@pytest.mark.parametrize("truth", _drifting(), ids=lambda truth: truth.name)
def test_a_sinking_bed_has_a_significant_drift_near_the_true_one(
    said: dict[str, Assessment], truth: MachineTruth
) -> None:
    drift = said[truth.name].drift
    assert drift is not None
    assert drift.significant
    for sink in truth.bed.sinks:
        assert drift.mm_per_week[sink.screw] == pytest.approx(sink.mm_per_week, abs=0.005)


def test_the_one_that_is_due_soon_has_its_crossing_within_four_weeks(said: dict[str, Assessment]) -> None:
    forecast = said["plover-01"].forecast
    assert forecast is not None
    assert forecast.chance > 0.95
    assert forecast.p50 is not None
    assert 0 < forecast.p50 <= 28


def test_the_slow_one_is_not_due_for_a_month(said: dict[str, Assessment]) -> None:
    forecast = said["avocet-07"].forecast
    assert forecast is not None
    assert forecast.p50 is None or forecast.p50 > 28


def test_flat_beds_that_lie_still_are_promised_no_crossing(said: dict[str, Assessment]) -> None:
    still = [m.name for m in TRUTHS.values() if m.short == "well"]
    chances = [one.forecast.chance for one in said.values() if one.machine in still and one.forecast]
    assert len(chances) == len(still) > 0
    assert max(chances) < 0.05


def test_the_silent_host_is_silent_and_only_that_one(said: dict[str, Assessment]) -> None:
    assert [one.machine for one in said.values() if one.silent] == ["avocet-02"]
