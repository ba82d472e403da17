"""The demo whole: polls over HTTP, the store, the report, and what it leaves behind."""

import threading
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from farmwatch.config import load_settings
from farmwatch.demo.beds import bed_series
from farmwatch.demo.cases import farm_truth
from farmwatch.demo.run import last_monday, run_demo
from farmwatch.errors import InputError
from farmwatch.store import Store
from tests.demo.expected import expected_of

MONDAY = datetime(2026, 11, 23, 6, tzinfo=UTC)


@pytest.mark.parametrize(
    ("now", "monday"),
    [
        (MONDAY, MONDAY),
        (MONDAY - timedelta(seconds=1), MONDAY - timedelta(days=7)),
        (MONDAY + timedelta(days=6, hours=23), MONDAY),
        # Dublin keeps summer time: six o'clock there is five in UTC.
        (datetime(2026, 7, 22, 12, tzinfo=UTC), datetime(2026, 7, 20, 5, tzinfo=UTC)),
        # The clocks went back on the Sunday before.
        (datetime(2026, 10, 26, 6, tzinfo=UTC), datetime(2026, 10, 26, 6, tzinfo=UTC)),
        (datetime(2026, 10, 26, 5, 59, tzinfo=UTC), datetime(2026, 10, 19, 5, tzinfo=UTC)),
    ],
)
def test_the_end_is_the_last_monday_before_work_in_farm_time(now: datetime, monday: datetime) -> None:
    assert last_monday(now) == monday


@pytest.mark.parametrize("given", [{"weeks": 1}, {"weeks": 1000}, {"machines": 0}, {"machines": 9999}, {"seed": -1}])
def test_numbers_that_make_no_farm_are_refused_untouched(tmp_path: Path, given: dict[str, Any]) -> None:
    with pytest.raises(InputError, match=f"--{next(iter(given))}"):
        run_demo(tmp_path / "demo", now=MONDAY, **given)
    assert not (tmp_path / "demo").exists()


def test_what_it_says_it_leaves_is_there(played: Any) -> None:
    result = played.result
    assert result.report.is_absolute()
    assert result.report.parent == played.folder / "reports"
    assert result.config == played.folder / "config.toml"
    settings = load_settings(result.config)
    assert len(settings.machines) == result.machines == played.machines
    store = Store(settings.farm.database)
    assert store.reading_count() == result.readings
    assert len(store.polls(played.end - timedelta(weeks=played.weeks), played.now)) == result.polls
    assert len(result.commands) == len(result.truths) == 3
    assert all(str(result.config) in command for command in result.commands)


def test_progress_counts_every_round_once(played: Any) -> None:
    total = played.progress[0][1]
    assert played.progress == [(i + 1, total) for i in range(total)]
    assert total == played.weeks * 7 + 1 + 3 + 1  # evenings, Monday morning, evenings to Wednesday, and now


def test_nothing_is_left_running(played: Any) -> None:
    assert [thread.name for thread in threading.enumerate() if "simulated" in thread.name] == []


@pytest.mark.parametrize("name", ["heron-01", "plover-01", "plover-02", "avocet-01", "avocet-04"])
def test_every_mapping_brings_the_meshes_that_the_beds_really_had(played: Any, name: str) -> None:
    """One machine of each mapping: units, signs, corners and orders are all undone."""
    truth = next(machine for machine in farm_truth(played.machines) if machine.name == name)
    true = bed_series(truth, played.end, played.weeks, seed=1)
    history = Store(load_settings(played.result.config).farm.database).histories([name])[name]
    assert len(history) > 40
    (stack,) = history.stacks
    np.testing.assert_allclose(stack.x, true.x, atol=1e-3)
    np.testing.assert_allclose(stack.y, true.y, atol=1e-3)
    # Each stored mesh is the one that was the newest when it was seen.
    newest = [true.newest(seen) for seen in history.seen_at[stack.index]]
    assert None not in newest
    # A millionth of an inch is 0.025 µm, the coarsest rounding of a height here.
    np.testing.assert_allclose(stack.z, true.z[newest], atol=2e-5)
    if truth.mapping != "plain-grid":
        np.testing.assert_allclose(history.taken_at[stack.index], true.taken_at[newest], atol=1.0)
        np.testing.assert_allclose(history.bed_celsius[stack.index], true.celsius[newest])


def test_a_host_without_times_has_a_first_mesh_of_unknown_age_and_seen_ones_after(played: Any) -> None:
    history = Store(load_settings(played.result.config).farm.database).histories(["avocet-04"])["avocet-04"]
    assert history.time_from[0] == "unknown"
    assert set(history.time_from[1:]) == {"seen"}


def test_what_people_did_is_entered_when_they_did_it(played: Any) -> None:
    store = Store(load_settings(played.result.config).farm.database)
    wanted = {(m.name, note.what) for m in farm_truth(played.machines) for note in m.notes}
    assert {(note.machine, note.what) for note in store.notes()} == wanted
    assert set(store.out_of_service(played.now)) == {"avocet-05"}
    assert store.out_of_service(played.end - timedelta(days=30)) == {}


def test_hosts_that_misbehave_leave_their_outcome(played: Any) -> None:
    store = Store(load_settings(played.result.config).farm.database)
    last = store.last_answers()
    for machine in farm_truth(played.machines):
        outcome = last[machine.name].outcome
        if expected_of(machine.name).outcome is None:
            assert outcome in ("new", "same"), machine.name
        else:
            assert outcome == expected_of(machine.name).outcome, machine.name
