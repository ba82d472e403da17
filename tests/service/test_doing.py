"""An errand done for real: the night's assessment, thinning and copy, each entered once it is done."""

import json
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

from farmwatch.service.backups import backups
from farmwatch.service.calendar import night_key
from farmwatch.service.doing import do
from farmwatch.service.errand import ASSESSMENT, Errand
from farmwatch.store import PollRecord
from farmwatch.tickets import Book
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
        store.add_polls([PollRecord(machine="heron-01", at=start + n * HOUR, outcome="same") for n in range(10)])
    before = store.reading_count()
    night = date(2026, 11, 23)
    said = do(Errand(kind="night", settings=settings, at=MONDAY, night=night), store)

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
    said = do(Errand(kind="night", settings=settings, at=MONDAY, night=date(2026, 11, 23)), store)
    assert said["conditions"] == {"ideal": 3, "usable": 0, "past-limit": 1, "unknown": 0}
    assert said["opened"] == 1
    last = store.last_run(ASSESSMENT)
    assert last is not None
    assert json.loads(last.detail) == said["conditions"]
    again = do(Errand(kind="night", settings=settings, at=MONDAY + HOUR, night=date(2026, 11, 23)), store)
    assert again["opened"] == 0
    assert len(Book(store).tickets()) == 1
