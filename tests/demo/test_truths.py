"""What is true in the demo's farm is what farmwatch says of it.

The farm is invented, its truth is known; farmwatch sees nothing but the hosts' answers. Every machine is compared
twice: at the report's hour, and at the moment the demo was asked for.
"""

from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

import pytest

from farmwatch.assess import assess
from farmwatch.config import load_settings
from farmwatch.demo.cases import farm_truth
from farmwatch.demo.truth import MachineTruth
from farmwatch.judge import Assessment, FleetAssessment
from farmwatch.report import write_week
from farmwatch.store import Store
from farmwatch.tickets import Ticket, TicketRepository, as_of
from tests.demo.comparison import differences, ticket_differences

pytestmark = pytest.mark.long

TRUTHS = {machine.name: machine for machine in farm_truth(27)}


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


@pytest.mark.parametrize("name", TRUTHS)
def test_what_is_said_is_true(said: dict[str, Assessment], played: Any, name: str) -> None:
    assert differences(said[name], TRUTHS[name], played.end) == []


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


def test_a_wrong_judgement_is_told_from_a_right_one(said: dict[str, Assessment], played: Any) -> None:
    """The comparison itself can fail, point by point."""
    right, truth = said["heron-01"], TRUTHS["heron-01"]
    (step,) = right.steps
    wrong = {
        "condition": replace(right, condition="usable"),
        "cause": replace(right, cause="plate"),
        "advice": replace(right, advice=("shim",)),
        "confirmed": replace(right, confirmed=False),
        "teeth": replace(right, plan=None),
        "steps": replace(right, steps=()),
        "steps: said": replace(right, steps=(step, step)),
        "'shift'": replace(right, steps=(replace(step, name="shift"),)),
        "'front-left'": replace(right, steps=(replace(step, screw="front-left"),)),
        ", 1, ": replace(right, steps=(replace(step, teeth=1),)),
        "tooth-jump": replace(right, steps=(replace(step, at=step.at + timedelta(days=4)),)),
    }
    for word, one in wrong.items():
        (told,) = differences(one, truth, played.end)
        assert word in told


@pytest.fixture(scope="module")
def tickets(played: Any) -> dict[str, list[Ticket]]:
    book = TicketRepository(Store(load_settings(played.result.config).farm.database))
    found: dict[str, list[Ticket]] = {name: [] for name in TRUTHS}
    for ticket in as_of(book.tickets(), book.events(), played.end):
        found[ticket.machine].append(ticket)
    return found


@pytest.mark.parametrize("name", TRUTHS)
def test_the_book_says_what_became_of_it(tickets: dict[str, list[Ticket]], name: str) -> None:
    assert ticket_differences(tickets[name], TRUTHS[name]) == []


def test_the_book_is_seen_in_many_phases(tickets: dict[str, list[Ticket]]) -> None:
    phases = {ticket.phase for some in tickets.values() for ticket in some}
    wanted = {"proposed", "approved", "in-work", "proving", "proven", "came-back", "accepted", "withdrawn"}
    assert phases == wanted


def test_a_wrong_ticket_is_told_from_a_right_one(tickets: dict[str, list[Ticket]]) -> None:
    """The comparison itself can fail, point by point."""
    (right,), truth = tickets["heron-01"], TRUTHS["heron-01"]
    wrong = {
        "said None": [],
        "said 'proven'": [replace(right, phase="proven")],
        "about 'plate'": [replace(right, cause="plate")],
        "more than one": [replace(right, number=1), right],
    }
    for word, some in wrong.items():
        (told,) = ticket_differences(some, truth)
        assert word in told
    assert ticket_differences([right], TRUTHS["heron-05"]) != []


def test_the_report_closes_the_loop(played: Any) -> None:
    settings = load_settings(played.result.config)
    view, path = write_week(settings, Store(settings.farm.database), played.end)
    assert path == played.result.report
    questions = {decision.machine: decision.question for decision in view.decisions}
    assert questions["heron-08"].startswith("Failed its check")
    assert questions["plover-03"] == "Shim it, or accept it as it is?"
    assert questions["heron-07"] == "Approve: inspect belt and pulleys?"
    # Work that waits for its check is never sent to be done again.
    assert [slip.machine for slip in view.slips] == ["heron-09"]
    assert "heron-09" not in questions | {sheet.machine: "" for sheet in view.sheets}
    # Each sheet says how sure it is and what would change that.
    assert view.sheets
    for sheet in view.sheets:
        said = " ".join(sheet.sure)
        assert "We'd drop this" in said or "Probe again, hot" in said or "it is the probe" in said, sheet.machine
    outcomes = {row.machine: row.outcome for row in view.follow_ups or ()}
    wanted = {"plover-08": "proven", "heron-08": "came back", "heron-09": "done", "plover-07": "accepted",
              "heron-02": "not done", "avocet-05": "taken out"}  # fmt: skip
    assert {name: outcomes[name] for name in wanted} == wanted
