"""What is due besides polls: once each, whatever happens in between."""

import threading
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from farmwatch.service.scheduled_jobs import ScheduledJobs
from farmwatch.service.status import ServiceStatus
from farmwatch.service.worker import ASSESSMENT, FIRST_LOOK, Job, JobFailed
from farmwatch.store import Store
from farmwatch.store.records import Run
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

    def __call__(self, job: Job, stop: threading.Event) -> dict[str, Any] | None:
        if self.fail is not None:
            raise JobFailed(self.fail)
        if job.kind == "refresh":
            return {
                "conditions": CONDITIONS,
                "machines": (),
                "judged": 0,
                "opened": 0,
                "proven": self.proven,
                "came_back": 0,
            }
        key = {"week": f"report/{job.week}", "night": f"night/{job.night}", "first-look": FIRST_LOOK}[job.kind]
        self.store.add_run(Run(name=key, at=job.at, detail="/srv/report.html"))
        self.done.append((job.kind, key.partition("/")[2]))
        said = {"conditions": CONDITIONS, "machines": (), "opened": 1}
        if job.kind == "night":
            return said | {"backup": "/srv/b", "readings": 9, "thinned": 0}
        return said | {"report": "/srv/report.html", "week": str(job.week)}


@pytest.fixture
def farm(tmp_path: Path) -> Any:
    settings = settings_in(tmp_path, None, ["heron-01"])
    store = Store(settings.farm.database)
    run_job = Errands(store)

    def start(now: datetime) -> tuple[ScheduledJobs, ServiceStatus, Errands]:
        status = ServiceStatus(now)
        status.note(round_ended_at=now)
        return ScheduledJobs(settings, store, status, threading.Event(), run_job), status, run_job

    return start


def kinds(run_job: Errands) -> list[str]:
    return [kind for kind, _ in run_job.done]


def weeks(run_job: Errands) -> list[str]:
    return [name for kind, name in run_job.done if kind == "week"]


def test_a_first_start_has_a_first_look_at_once_and_no_report_of_the_week_before(farm: Any) -> None:
    wednesday = MONDAY + timedelta(days=2)
    jobs, status, run_job = farm(wednesday)
    for minute in range(5):
        jobs.step(wednesday + minute * MINUTE)
    assert run_job.done == [("first-look", "first-look"), ("night", "2026-11-25")]
    assert status.facts.next_report_at == MONDAY + timedelta(days=7)
    assert status.facts.report == "/srv/report.html"
    assert status.facts.conditions == CONDITIONS


def test_nothing_is_looked_at_before_the_first_round_of_polls(farm: Any) -> None:
    jobs, status, run_job = farm(MONDAY)
    status.note(round_ended_at=None)
    jobs.step(MONDAY)
    assert not run_job.done


def played(farm: Any, moments: list[datetime]) -> Errands:
    """Steps at these moments, after a first start a month before."""
    jobs, _, run_job = farm(MONDAY - timedelta(days=28))
    jobs.step(MONDAY - timedelta(days=28))
    run_job.done.clear()
    for now in moments:
        jobs.step(now)
    return run_job


def test_every_week_is_reported_once(farm: Any) -> None:
    start = MONDAY - timedelta(days=28)
    run_job = played(farm, [start + hours * timedelta(hours=3) for hours in range(28 * 8 + 4)])
    assert weeks(run_job) == ["2026-W44", "2026-W45", "2026-W46", "2026-W47"]
    nights = [name for kind, name in run_job.done if kind == "night"]
    assert len(nights) == len(set(nights)) == 28


def test_after_an_outage_the_newest_week_is_caught_up_once(farm: Any) -> None:
    late = MONDAY + timedelta(days=2, hours=5)
    run_job = played(farm, [late, late + MINUTE])
    assert weeks(run_job) == ["2026-W47"]
    # Another start finds it in the last-run record.
    jobs, status, run_job = farm(late + 2 * MINUTE)
    run_job.done.clear()
    jobs.step(late + 2 * MINUTE)
    assert not run_job.done
    assert status.facts.report == "/srv/report.html"


def test_a_clock_set_back_an_hour_brings_no_second_report(farm: Any) -> None:
    moments = [MONDAY - MINUTE, MONDAY, *(MONDAY - 60 * MINUTE + n * MINUTE for n in range(120))]
    assert weeks(played(farm, moments)).count("2026-W47") == 1


def test_a_clock_set_forward_a_day_and_back_brings_no_second_report(farm: Any) -> None:
    noon = MONDAY + timedelta(hours=6)
    moments = [MONDAY, noon, noon + timedelta(days=1), noon, noon + MINUTE]
    run_job = played(farm, moments)
    assert weeks(run_job) == ["2026-W47"]


def test_a_report_written_by_a_clock_a_day_ahead_is_written_again_when_the_week_is_over(farm: Any) -> None:
    """The figures of a week that still ran are not the week's."""
    sunday = MONDAY - timedelta(hours=20)
    moments = [sunday, sunday + timedelta(days=1), sunday, sunday + MINUTE, MONDAY, MONDAY + MINUTE]
    run_job = played(farm, moments)
    assert weeks(run_job) == ["2026-W46", "2026-W47", "2026-W47"]


def test_a_computer_asleep_across_the_report_time_reports_when_it_wakes(farm: Any) -> None:
    run_job = played(farm, [MONDAY - timedelta(hours=8), MONDAY + timedelta(hours=3), MONDAY + timedelta(hours=4)])
    assert weeks(run_job) == ["2026-W46", "2026-W47"]


def test_what_fails_is_said_and_tried_again_later(farm: Any) -> None:
    jobs, status, run_job = farm(MONDAY - timedelta(days=28))
    jobs.step(MONDAY - timedelta(days=28))
    run_job.done.clear()
    run_job.fail = "no room is left"
    tried = []
    for minute in range(0, 180, 5):
        now = MONDAY + minute * MINUTE
        before = dict(jobs._tries)
        jobs.step(now)
        if jobs._tries != before:
            tried.append(minute)
    assert tried == [0, 10, 30, 70, 150]
    assert {one.what for one in status.facts.problems} == {"week", "night"}
    assert "no room is left" in status.facts.problems[0].words
    run_job.fail = None
    jobs.step(MONDAY + timedelta(hours=6))
    assert kinds(run_job) == ["week", "night"]
    assert not status.facts.problems


def test_a_database_that_cannot_be_read_is_said(farm: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    from farmwatch.store.errors import StoreBusy

    jobs, status, run_job = farm(MONDAY)

    def busy(*_: object) -> None:
        raise StoreBusy("held by process 7")

    monkeypatch.setattr(run_job.store, "last_run", busy)
    jobs.step(MONDAY)
    assert "held by process 7" in status.facts.problems[0].words
    monkeypatch.undo()
    jobs.step(MONDAY + MINUTE)
    assert not status.facts.problems


def test_what_was_assessed_is_known_again_after_a_start(farm: Any) -> None:
    jobs, status, run_job = farm(MONDAY)
    run_job.store.add_run(Run(name=ASSESSMENT, at=MONDAY - MINUTE, detail='{"ideal": 9}'))
    run_job.fail = "later"
    jobs.step(MONDAY)
    assert status.facts.conditions == {"ideal": 9}


def test_what_became_of_tickets_within_the_day_is_logged(farm: Any, caplog: pytest.LogCaptureFixture) -> None:
    jobs, _, run_job = farm(MONDAY)
    with caplog.at_level("INFO", logger="farmwatch"):
        jobs.step(MONDAY)
        run_job.proven = 2
        jobs.step(MONDAY + 6 * MINUTE)
    [line] = [record for record in caplog.records if record.getMessage() == "tickets"]
    assert line.fields["proven"] == 2  # type: ignore[attr-defined]


def test_new_meshes_are_judged_within_a_minute_and_without_them_every_five(farm: Any) -> None:
    wednesday = MONDAY + timedelta(days=2)
    jobs, status, _ = farm(wednesday)
    jobs.step(wednesday)
    judged = []
    for second in range(0, 900, 20):
        now = wednesday + timedelta(seconds=second)
        if second == 400:
            jobs.refresh_when_due()
        before = status.facts.assessed_at
        jobs.step(now)
        if status.facts.assessed_at != before:
            judged.append(second)
    assert judged == [300, 400, 700]
