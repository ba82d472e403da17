"""What is due besides polls: once each, whatever happens in between."""

import threading
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from farmwatch.service.chores import Chores
from farmwatch.service.errand import ASSESSMENT, FIRST_LOOK, Errand
from farmwatch.service.ledger import Ledger
from farmwatch.service.sending import ErrandFailed
from farmwatch.store import Run, Store
from tests.service.farm import settings_in

MONDAY = datetime(2026, 11, 23, 6, 0, tzinfo=UTC)
MINUTE = timedelta(minutes=1)
CONDITIONS = {"ideal": 3, "usable": 1, "past-limit": 2, "unknown": 0}


class Errands:
    """Stands for the processes that errands are sent to: enters them as done, or fails."""

    def __init__(self, store: Store) -> None:
        self.store = store
        self.done: list[tuple[str, str]] = []
        self.fail: str | None = None
        self.proven = 0

    def __call__(self, errand: Errand, stop: threading.Event) -> dict[str, Any] | None:
        if self.fail is not None:
            raise ErrandFailed(self.fail)
        if errand.kind == "refresh":
            return {"conditions": CONDITIONS, "judged": 0, "opened": 0, "proven": self.proven, "came_back": 0}
        key = {"week": f"report/{errand.week}", "night": f"night/{errand.night}", "first-look": FIRST_LOOK}[errand.kind]
        self.store.add_run(Run(name=key, at=errand.at, detail="/srv/report.html"))
        self.done.append((errand.kind, key.partition("/")[2]))
        said = {"conditions": CONDITIONS, "opened": 1}
        if errand.kind == "night":
            return said | {"backup": "/srv/b", "readings": 9, "thinned": 0}
        return said | {"report": "/srv/report.html", "week": str(errand.week)}


@pytest.fixture
def farm(tmp_path: Path) -> Any:
    settings = settings_in(tmp_path, None, ["heron-01"])
    store = Store(settings.farm.database)
    errands = Errands(store)

    def start(now: datetime) -> tuple[Chores, Ledger, Errands]:
        ledger = Ledger(now)
        ledger.note(round_ended_at=now)
        return Chores(settings, store, ledger, threading.Event(), errands), ledger, errands

    return start


def kinds(errands: Errands) -> list[str]:
    return [kind for kind, _ in errands.done]


def weeks(errands: Errands) -> list[str]:
    return [name for kind, name in errands.done if kind == "week"]


def test_a_first_start_has_a_first_look_at_once_and_no_report_of_the_week_before(farm: Any) -> None:
    wednesday = MONDAY + timedelta(days=2)
    chores, ledger, errands = farm(wednesday)
    for minute in range(5):
        chores.step(wednesday + minute * MINUTE)
    assert errands.done == [("first-look", "first-look"), ("night", "2026-11-25")]
    assert ledger.facts.next_report_at == MONDAY + timedelta(days=7)
    assert ledger.facts.report == "/srv/report.html"
    assert ledger.facts.conditions == CONDITIONS


def test_nothing_is_looked_at_before_the_first_round_of_polls(farm: Any) -> None:
    chores, ledger, errands = farm(MONDAY)
    ledger.note(round_ended_at=None)
    chores.step(MONDAY)
    assert not errands.done


def played(farm: Any, moments: list[datetime]) -> Errands:
    """Steps at these moments, after a first start a month before."""
    chores, _, errands = farm(MONDAY - timedelta(days=28))
    chores.step(MONDAY - timedelta(days=28))
    errands.done.clear()
    for now in moments:
        chores.step(now)
    return errands


def test_every_week_is_reported_once(farm: Any) -> None:
    start = MONDAY - timedelta(days=28)
    errands = played(farm, [start + hours * timedelta(hours=3) for hours in range(28 * 8 + 4)])
    assert weeks(errands) == ["2026-W44", "2026-W45", "2026-W46", "2026-W47"]
    nights = [name for kind, name in errands.done if kind == "night"]
    assert len(nights) == len(set(nights)) == 28


def test_after_an_outage_the_newest_week_is_caught_up_once(farm: Any) -> None:
    late = MONDAY + timedelta(days=2, hours=5)
    errands = played(farm, [late, late + MINUTE])
    assert weeks(errands) == ["2026-W47"]
    # Another start finds it in the last-run record.
    chores, ledger, errands = farm(late + 2 * MINUTE)
    errands.done.clear()
    chores.step(late + 2 * MINUTE)
    assert not errands.done
    assert ledger.facts.report == "/srv/report.html"


def test_a_clock_set_back_an_hour_brings_no_second_report(farm: Any) -> None:
    moments = [MONDAY - MINUTE, MONDAY, *(MONDAY - 60 * MINUTE + n * MINUTE for n in range(120))]
    assert weeks(played(farm, moments)).count("2026-W47") == 1


def test_a_clock_set_forward_a_day_and_back_brings_no_second_report(farm: Any) -> None:
    noon = MONDAY + timedelta(hours=6)
    moments = [MONDAY, noon, noon + timedelta(days=1), noon, noon + MINUTE]
    errands = played(farm, moments)
    assert weeks(errands) == ["2026-W47"]


def test_a_report_written_by_a_clock_a_day_ahead_is_written_again_when_the_week_is_over(farm: Any) -> None:
    """The figures of a week that still ran are not the week's."""
    sunday = MONDAY - timedelta(hours=20)
    moments = [sunday, sunday + timedelta(days=1), sunday, sunday + MINUTE, MONDAY, MONDAY + MINUTE]
    errands = played(farm, moments)
    assert weeks(errands) == ["2026-W46", "2026-W47", "2026-W47"]


def test_a_computer_asleep_across_the_report_time_reports_when_it_wakes(farm: Any) -> None:
    errands = played(farm, [MONDAY - timedelta(hours=8), MONDAY + timedelta(hours=3), MONDAY + timedelta(hours=4)])
    assert weeks(errands) == ["2026-W46", "2026-W47"]


def test_what_fails_is_said_and_tried_again_later(farm: Any) -> None:
    chores, ledger, errands = farm(MONDAY - timedelta(days=28))
    chores.step(MONDAY - timedelta(days=28))
    errands.done.clear()
    errands.fail = "no room is left"
    tried = []
    for minute in range(0, 180, 5):
        now = MONDAY + minute * MINUTE
        before = dict(chores._tries)
        chores.step(now)
        if chores._tries != before:
            tried.append(minute)
    assert tried == [0, 10, 30, 70, 150]
    assert {one.what for one in ledger.facts.troubles} == {"week", "night"}
    assert "no room is left" in ledger.facts.troubles[0].words
    errands.fail = None
    chores.step(MONDAY + timedelta(hours=6))
    assert kinds(errands) == ["week", "night"]
    assert not ledger.facts.troubles


def test_a_database_that_cannot_be_read_is_said(farm: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    from farmwatch.store import StoreBusy

    chores, ledger, errands = farm(MONDAY)

    def busy(name: str) -> None:
        raise StoreBusy("held by process 7")

    monkeypatch.setattr(errands.store, "last_run", busy)
    chores.step(MONDAY)
    assert "held by process 7" in ledger.facts.troubles[0].words
    monkeypatch.undo()
    chores.step(MONDAY + MINUTE)
    assert not ledger.facts.troubles


def test_what_was_assessed_is_known_again_after_a_start(farm: Any) -> None:
    chores, ledger, errands = farm(MONDAY)
    errands.store.add_run(Run(name=ASSESSMENT, at=MONDAY - MINUTE, detail='{"ideal": 9}'))
    errands.fail = "later"
    chores.step(MONDAY)
    assert ledger.facts.conditions == {"ideal": 9}


def test_what_became_of_tickets_within_the_day_is_logged(farm: Any, caplog: pytest.LogCaptureFixture) -> None:
    chores, _, errands = farm(MONDAY)
    with caplog.at_level("INFO", logger="farmwatch"):
        chores.step(MONDAY)
        errands.proven = 2
        chores.step(MONDAY + 6 * MINUTE)
    [line] = [record for record in caplog.records if record.getMessage() == "tickets"]
    assert line.fields["proven"] == 2  # type: ignore[attr-defined]
