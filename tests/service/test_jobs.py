"""An errand done for real: the night's assessment, thinning and copy, each entered once it is done."""

import json
from dataclasses import replace
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from farmwatch.config import Settings
from farmwatch.history import Reading
from farmwatch.mesh import Mesh
from farmwatch.service.calendar import night_key
from farmwatch.service.jobs import backups, do
from farmwatch.service.worker import ASSESSMENT, Job
from farmwatch.store import PollRecord
from farmwatch.store.errors import StoreBusy
from farmwatch.tickets import TicketChanges, TicketRepository, update_tickets
from tests.service.farm import names, settings_in
from tests.service.test_reportmail import MONDAY, filled

HOUR = timedelta(hours=1)


def test_the_night_thins_polls_after_a_year_and_never_a_reading(tmp_path: Path) -> None:
    settings = settings_in(tmp_path, None, names(4))
    store = filled(settings)
    [newest] = store.latest(["heron-01"]).values()
    old = [replace(newest, taken_at=MONDAY - timedelta(days=800 + day)) for day in range(5)]
    store.add_readings(old)
    ages = (400, 364)
    for days in ages:
        start = MONDAY - timedelta(days=days)
        store.add_round((), [PollRecord(machine="heron-01", at=start + n * HOUR, outcome="same") for n in range(10)])
    before = store.reading_count()
    night = date(2026, 11, 23)
    said = do(Job(kind="night", settings=settings, at=MONDAY, night=night), store)

    assert store.reading_count() == before == said["readings"]
    # Of ten polls that all said the same, the first and the last tell all; what is younger than a year is whole.
    kept = [len(store.polls(MONDAY - timedelta(days=days), MONDAY - timedelta(days=days) + 10 * HOUR)) for days in ages]
    assert kept[0] < 10
    assert kept[1] == 10
    assert said["thinned"] == 10 - kept[0]
    [copy] = backups(store.path)
    assert said["backup"] == str(copy)
    done = store.last_run(night_key(night))
    assert done is not None
    assert (done.at, done.detail) == (MONDAY, str(copy))


def test_the_night_judges_the_farm_and_opens_its_tickets_once(tmp_path: Path) -> None:
    settings = settings_in(tmp_path, None, names(4))
    store = filled(settings)
    said = do(Job(kind="night", settings=settings, at=MONDAY, night=date(2026, 11, 23)), store)
    assert said["conditions"] == {"ideal": 3, "usable": 0, "past-limit": 1, "unknown": 0}
    assert said["opened"] == 1
    last = store.last_run(ASSESSMENT)
    assert last is not None
    assert json.loads(last.detail) == said["conditions"]
    again = do(Job(kind="night", settings=settings, at=MONDAY + HOUR, night=date(2026, 11, 23)), store)
    assert again["opened"] == 0
    assert len(TicketRepository(store).tickets()) == 1


def level(settings: Settings, at: datetime, seed: int) -> Reading:
    """A flat bed at heron-01."""
    axis = np.linspace(10.0, 210.0, 5)
    mesh = Mesh.accept(axis, axis, np.random.default_rng(seed).normal(0.0, 0.004, (5, 5)))
    return Reading(machine="heron-01", taken_at=at, seen_at=at, time_from="host", mesh=mesh, bed_celsius=60.0)


def test_a_ticket_need_not_wait_for_the_night(tmp_path: Path) -> None:
    """Opened, and proven by the probings that follow, as each is refreshed; nothing is done twice."""
    settings = settings_in(tmp_path, None, names(4))
    store, at = filled(settings), MONDAY
    said = do(Job(kind="refresh", settings=settings, at=at), store)
    assert (said["judged"], said["opened"]) == (4, 1)
    book = TicketRepository(store)
    book.act(1, "approve", at=at, by="manager")
    book.act(1, "take", at=at, by="bench", change=lambda one: replace(one, work_from=at))
    book.act(1, "done", at=at + HOUR, by="bench", change=lambda one: replace(one, work_until=at + HOUR))
    for hours, proven in ((2, 0), (4, 1)):
        store.add_readings([level(settings, at + hours * HOUR, hours)])
        said = do(Job(kind="refresh", settings=settings, at=at + (hours + 0.1) * HOUR), store)
        assert said["proven"] == proven
    assert book.ticket(1).phase == "proven"
    assert do(Job(kind="refresh", settings=settings, at=at + 4.2 * HOUR), store)["judged"] == 0


def test_a_host_that_fell_silent_has_its_ticket_within_the_day_and_loses_it_when_it_answers(tmp_path: Path) -> None:
    settings = settings_in(tmp_path, "http://127.0.0.1:9", names(4))
    store = filled(settings)
    store.add_round((), [PollRecord(machine="heron-02", at=MONDAY - 72 * HOUR, outcome="same")])
    do(Job(kind="refresh", settings=settings, at=MONDAY), store)
    store.add_round((), [PollRecord(machine="heron-02", at=MONDAY + HOUR / 4, outcome="unreachable")])
    assert do(Job(kind="refresh", settings=settings, at=MONDAY + HOUR / 3), store)["opened"] == 1
    [ticket] = [one for one in TicketRepository(store).tickets() if one.machine == "heron-02"]
    assert (ticket.cause, ticket.phase) == ("host", "proposed")
    store.add_round((), [PollRecord(machine="heron-02", at=MONDAY + HOUR / 2, outcome="same")])
    do(Job(kind="refresh", settings=settings, at=MONDAY + HOUR * 0.6), store)
    assert TicketRepository(store).ticket(ticket.number).phase == "withdrawn"


def test_a_book_that_cannot_be_written_is_seen_to_the_next_time(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    settings = settings_in(tmp_path, None, names(4))
    store = filled(settings)

    def busy(*_: object) -> None:
        raise StoreBusy("held by process 7")

    monkeypatch.setattr("farmwatch.service.jobs.update_tickets", busy)
    with pytest.raises(StoreBusy):
        do(Job(kind="refresh", settings=settings, at=MONDAY), store)
    monkeypatch.undo()
    assert do(Job(kind="refresh", settings=settings, at=MONDAY + HOUR / 6), store)["opened"] == 1


def test_what_others_entered_meanwhile_is_judged_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A note comes in, or a person acts, between the judgement and the book."""
    settings = settings_in(tmp_path, None, names(4))
    store = filled(settings)

    def meanwhile(*arguments: Any) -> TicketChanges:
        found = update_tickets(*arguments)
        TicketRepository(store).act(1, "approve", at=MONDAY, by="manager")
        return found

    monkeypatch.setattr("farmwatch.service.jobs.update_tickets", meanwhile)
    do(Job(kind="refresh", settings=settings, at=MONDAY), store)
    monkeypatch.undo()
    assert do(Job(kind="refresh", settings=settings, at=MONDAY + HOUR / 6), store)["judged"] == 1
    assert do(Job(kind="refresh", settings=settings, at=MONDAY + HOUR / 3), store)["judged"] == 0


def test_a_reading_of_a_host_whose_clock_is_ahead_is_judged_once_its_time_has_come(tmp_path: Path) -> None:
    settings = settings_in(tmp_path, None, names(4))
    store = filled(settings)
    do(Job(kind="refresh", settings=settings, at=MONDAY), store)
    store.add_readings([level(settings, MONDAY + HOUR / 15, 9)])
    do(Job(kind="refresh", settings=settings, at=MONDAY + HOUR / 60), store)
    assert do(Job(kind="refresh", settings=settings, at=MONDAY + HOUR / 10), store)["judged"] == 1
    assert do(Job(kind="refresh", settings=settings, at=MONDAY + HOUR / 6), store)["judged"] == 0
