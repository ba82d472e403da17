"""What the service last said, in the place of judging anew: it must say the same, and never what is out of date."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from farmwatch.assess import assess
from farmwatch.config import Settings
from farmwatch.follow import Step
from farmwatch.history import Note, OutOfService
from farmwatch.judge import FleetAssessment
from farmwatch.service.fleet_cache import fleet_now, load, save
from farmwatch.service.jobs import do
from farmwatch.service.worker import Job
from farmwatch.store import PollRecord, Store
from tests.service.farm import names, settings_in
from tests.service.test_reportmail import MONDAY, filled

SOON = MONDAY + timedelta(minutes=20)


# What `fleet` shows of a machine, as a table or as JSON.
SHOWN = (
    "machine", "aisle", "model", "in_service", "condition", "confirmed", "cause", "advice", "range_mm", "reading",
    "mesh_old", "silent", "twins", "not_understood", "judged_range_mm", "judged_reading", "last_outcome",
    "at_tooth_floor",
)  # fmt: skip


class Judge:
    """`assess`, and for which machines it was asked."""

    def __init__(self) -> None:
        self.asked: list[Sequence[str] | None] = []

    def __call__(self, settings: Settings, store: Store, at: datetime, wanted: Sequence[str] | None) -> FleetAssessment:
        self.asked.append(wanted)
        return assess(settings, store, at, wanted)


@pytest.fixture
def farm(tmp_path: Path) -> tuple[Settings, Store]:
    settings = settings_in(tmp_path, "http://127.0.0.1:9", names(5))
    store = filled(settings.model_copy(update={"machines": settings.machines[:4]}))
    store.add_round((), [PollRecord(machine="heron-02", at=MONDAY - timedelta(days=3), outcome="same")])
    do(Job(kind="refresh", settings=settings, at=MONDAY), store)
    return settings, store


def agree(settings: Settings, store: Store, now: datetime) -> list[Sequence[str] | None]:
    """Whether the document is that of judging all anew; returns which machines were judged for it."""
    judge = Judge()
    quick, anew = fleet_now(settings, store, now, judge), assess(settings, store, now)
    assert (quick.at, quick.limits) == (anew.at, anew.limits)
    for one, other in zip(quick.machines, anew.machines, strict=True):
        for shown in SHOWN:
            assert getattr(one, shown) == getattr(other, shown), shown
    return judge.asked


def test_with_nothing_new_nothing_is_judged_and_the_same_is_said(farm: tuple[Settings, Store]) -> None:
    assert agree(*farm, MONDAY) == []
    assert agree(*farm, SOON) == []


def test_what_has_something_new_is_judged(farm: tuple[Settings, Store]) -> None:
    settings, store = farm
    store.add_note(Note(machine="heron-01", at=MONDAY, what="belt", by="bench", text=""))
    store.take_out(OutOfService(machine="heron-03", since=MONDAY, reason="at the bench"))
    assert agree(settings, store, SOON) == [["heron-01", "heron-03"]]
    store.bring_back("heron-03", MONDAY + timedelta(minutes=1))
    assert agree(settings, store, SOON) == [["heron-01", "heron-03"]]


def test_a_new_reading_even_one_from_long_ago_counts(farm: tuple[Settings, Store]) -> None:
    settings, store = farm
    [last] = store.latest(["heron-02"]).values()
    store.add_readings([replace(last, taken_at=last.taken_at - timedelta(days=30))])
    assert agree(settings, store, SOON) == [["heron-02"]]
    do(Job(kind="refresh", settings=settings, at=SOON), store)
    assert agree(settings, store, SOON) == []


def test_a_mesh_grows_old_by_itself(farm: tuple[Settings, Store]) -> None:
    settings, store = farm
    young = settings.model_copy(update={"limits": settings.limits.__class__(mesh_old_after_days=1.01)})
    do(Job(kind="refresh", settings=young, at=MONDAY), store)
    assert agree(young, store, MONDAY) == []
    assert agree(young, store, SOON) == []


def test_a_renewal_sees_that_a_host_has_gone_silent_and_that_a_time_out_has_ended(farm: tuple[Settings, Store]) -> None:
    settings, store = farm
    store.take_out(OutOfService(machine="heron-04", since=MONDAY, reason="bench", until=MONDAY + timedelta(minutes=10)))
    do(Job(kind="refresh", settings=settings, at=MONDAY), store)
    store.add_round((), [PollRecord(machine="heron-02", at=SOON, outcome="unreachable")])
    do(Job(kind="refresh", settings=settings, at=SOON), store)
    assert agree(settings, store, SOON) == []
    assert {m.machine for m in fleet_now(settings, store, SOON, Judge()).machines if m.silent} == {"heron-02"}


def test_a_mesh_that_came_from_two_machines_is_marked_on_both_and_no_longer_than_it_is_so(
    farm: tuple[Settings, Store],
) -> None:
    settings, store = farm
    newest = store.latest(["heron-02"])["heron-02"]
    store.add_readings([replace(newest, machine="heron-03", taken_at=MONDAY + timedelta(minutes=1))])
    assert agree(settings, store, SOON) == [["heron-03"]]
    quick = fleet_now(settings, store, SOON, Judge())
    assert [m.twins for m in quick.machines[1:3]] == [("heron-03",), ("heron-02",)]
    do(Job(kind="refresh", settings=settings, at=SOON), store)
    assert agree(settings, store, SOON) == []
    other = store.latest(["heron-01"])["heron-01"]
    later = SOON + timedelta(minutes=2)
    store.add_readings([replace(other, machine="heron-03", taken_at=SOON + timedelta(minutes=1))])
    assert agree(settings, store, later) == [["heron-03"]]


def test_what_is_judged_by_another_mesh_and_a_host_not_understood_are_kept(farm: tuple[Settings, Store]) -> None:
    settings, store = farm
    models = {name: replace(model, judge_from_celsius=45) for name, model in settings.models.items()}
    settings = settings.model_copy(update={"models": models})
    newest = store.latest(["heron-02"])["heron-02"]
    cold = replace(newest, taken_at=MONDAY - timedelta(minutes=1), bed_celsius=20.0, celsius_is="at-probing")
    store.add_readings([cold])
    store.add_round((), [PollRecord(machine="heron-02", at=MONDAY, outcome="garbled")])
    do(Job(kind="refresh", settings=settings, at=MONDAY), store)
    assert agree(settings, store, MONDAY) == []
    one = fleet_now(settings, store, MONDAY, Judge()).machines[1]
    assert one.not_understood
    assert one.judged_reading is not None


def test_another_configuration_an_old_file_or_a_broken_one_is_none(farm: tuple[Settings, Store]) -> None:
    settings, store = farm
    assert load(settings, store.path, SOON) is not None
    assert load(settings, store.path, MONDAY + timedelta(hours=2)) is None
    assert load(settings, store.path, MONDAY - timedelta(hours=1)) is None
    fewer = settings.model_copy(update={"machines": settings.machines[:3]})
    assert load(fewer, store.path, SOON) is None
    file = store.path.with_name(f"{store.path.name}.standing")
    for broken in ("", "{}", "[1", '{"at": 3}', file.read_text().replace('"record"', '"recrod"')):
        file.write_text(broken)
        assert load(settings, store.path, SOON) is None
    assert agree(settings, store, SOON) == [None]


def test_the_last_step_of_a_machine_is_kept_for_whoever_tells_of_the_day(farm: tuple[Settings, Store]) -> None:
    settings, store = farm
    step = Step(at=MONDAY - timedelta(hours=3), name="tooth-jump", screw="front-left", mm=-0.4, teeth=-1)
    cache = load(settings, store.path, SOON)
    assert cache is not None
    machines = {name: replace(one, steps=(step,)) for name, one in cache.machines.items()}
    save(settings, store.path, replace(cache, machines=machines))
    again = load(settings, store.path, SOON)
    assert again is not None
    assert again.machines["heron-01"].steps == (step,)
