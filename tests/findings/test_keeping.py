"""Kept findings: whatever is entered and whenever it is asked, the same is said as without them."""

from __future__ import annotations

import random
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from farmwatch.assess import assess
from farmwatch.config import Settings
from farmwatch.findings import KeptFile
from farmwatch.history import Note, OutOfService
from farmwatch.judge import Assessment, assessment_document
from farmwatch.store import Move, Store
from tests.test_assess import AT, farm, reading

NAMES = ("heron-01", "heron-02")


@contextmanager
def without_kept(store: Store) -> Iterator[None]:
    path = KeptFile(store.path).path
    aside = path.with_name("aside")
    if path.exists():
        path.rename(aside)
    yield
    path.unlink(missing_ok=True)
    if aside.exists():
        aside.rename(path)


def words(one: Assessment) -> tuple[object, ...]:
    """What no document holds."""
    ahead = one.forecast and [day and round(day, 6) for day in (one.forecast.p25, one.forecast.p75)]
    shown = (one.reasons, one.warnings, one.suspected_cause, one.repeated_jumps, one.since_records_began, one.trace)
    return (*shown, one.mesh_old, one.mesh and one.mesh.digest(), ahead)


def check(settings: Settings, store: Store, at: datetime, following: bool = True) -> None:
    kept = assess(settings, store, at, following=following)
    with without_kept(store):
        fresh = assess(settings, store, at, following=following)
    assert assessment_document(kept) == assessment_document(fresh)
    assert [words(one) for one in kept.machines] == [words(one) for one in fresh.machines]


def something_happens(store: Store, rng: random.Random, at: datetime) -> None:
    name, back = rng.choice(NAMES), (AT - at) / timedelta(days=1)
    what = rng.randrange(8)
    if what == 0:
        store.add_note(Note(machine=name, at=at, what=rng.choice(["belt", "plate", "replaced", "other"])))
    elif what == 1:
        until = rng.choice([None, at + timedelta(days=3)])
        store.take_out(OutOfService(machine=name, since=at, reason="belt on order", until=until))
    elif what == 2:
        store.bring_back(name, at)
    elif what == 3:
        store.add_moves(
            [
                Move(
                    machine=name, at=at, screw="front-left", teeth=1, before_at=at - timedelta(hours=1), after_at=at,
                    moved_mm=0.5, moved_sd_mm=0.01, range_before_mm=0.3, range_after_mm=0.2,
                )
            ]
        )  # fmt: skip
    else:
        lift = (rng.choice([0.0, 0.1, 0.4]) + 0.002 * rng.randrange(60), 0.0)
        days = [back + 2.0 * k for k in range(rng.choice([1, 1, 9]))]
        store.add_readings([reading(name, lift, day, seed=rng.randrange(99)) for day in days])


def walk(folder: Path, seed: int, rounds: int) -> None:
    """Entries in any order, asked for at times ahead and back, some of them twice."""
    settings, store, rng = farm(folder, NAMES, hosts=False), Store(folder / "farmwatch.duckdb"), random.Random(seed)
    at = AT - timedelta(days=40)
    for name in NAMES:
        some = [reading(name, (0.003 * k, 0.0), 40.0 + 20 - k, seed=k) for k in range(20)]
        store.add_readings(some)
    for _ in range(rounds):
        at += timedelta(days=rng.choice([0.01, 0.6, 1.0, 5.0, 13.9, 29.0]))
        something_happens(store, rng, at)
        check(settings, store, at)
        check(settings, store, at + timedelta(days=rng.choice([-20.0, -0.4, 0.2, 0.9, 14.2, 28.5])), rng.random() < 0.7)


def test_the_same_is_said_as_without_them(tmp_path: Path) -> None:
    walk(tmp_path, 1, 3)


@pytest.mark.long
@pytest.mark.parametrize("seed", range(100, 130))
def test_the_same_is_said_as_without_them_over_long_walks(tmp_path: Path, seed: int) -> None:
    walk(tmp_path, seed, 25)


@pytest.mark.long
def test_two_processes_say_what_one_says(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    settings, store = farm(tmp_path, NAMES, hosts=False), Store(tmp_path / "farmwatch.duckdb")
    store.add_readings([reading(name, (0.3, 0.0), days, seed=4) for name in NAMES for days in (3.0, 0.2)])
    monkeypatch.setattr("farmwatch.findings.keeping.MACHINES_READ_AT_ONCE", 1)
    two = assess(settings, store, AT, jobs=2)
    with without_kept(store):
        assert assessment_document(assess(settings, store, AT)) == assessment_document(two)


def test_what_stands_is_not_found_anew(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    settings, store = farm(tmp_path, NAMES, hosts=False), Store(tmp_path / "farmwatch.duckdb")
    store.add_readings([reading(name, (0.3, 0.0), 0.2, seed=4) for name in NAMES])
    assess(settings, store, AT)
    store.add_readings([reading("heron-02", (0.3, 0.0), 0.1, seed=5)])
    asked: list[object] = []
    histories = Store.histories
    monkeypatch.setattr(Store, "histories", lambda *given: asked.append(given[1]) or histories(*given))
    assess(settings, store, AT + timedelta(hours=1))
    # The noise that both borrow is looked for among all machines, that is None.
    assert [names for names in asked if names is not None] == [["heron-02"]]


def test_a_noise_that_is_borrowed_is_the_farms_whoever_is_asked_for(tmp_path: Path) -> None:
    names = [f"heron-{k:02d}" for k in range(1, 6)]
    settings, store = farm(tmp_path, names, hosts=False), Store(tmp_path / "farmwatch.duckdb")
    old = [reading(name, (0.1, 0.0), days, seed=days) for name in names[:4] for days in range(1, 13)]
    store.add_readings([*old, reading("heron-05", (0.25, 0.0), 0.1, seed=77)])
    (alone,) = assess(settings, store, AT, ["heron-05"]).machines
    with without_kept(store):
        together = assess(settings, store, AT).machines[4]
    assert alone.range_sd_mm == pytest.approx(together.range_sd_mm)
    assert not any("Too few meshes" in reason for reason in alone.reasons)
