"""set-aside and put-back-in: a reading, note or move that counts for nothing, and counts again."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from farmwatch.history import Note
from farmwatch.store import Move
from tests.cli.conftest import NOW, Farm

LONG_AGO = datetime(2000, 1, 1, tzinfo=UTC)


def typed(at: datetime, seconds: bool = False) -> str:
    """The time as one types it, with its offset: the tests run on both sides of the clock change."""
    return f"{at:%Y-%m-%dT%H:%M}{f':{at:%S}' if seconds else ':00'}Z"


def assessed(farm: Farm) -> dict[str, Any]:
    _, out, _ = farm("assess", "--json", "--machine", "heron-01", "--at", typed(NOW + timedelta(minutes=1)))
    found: dict[str, Any] = json.loads(out)["machines"][0]
    return found


def test_a_span_set_aside_is_judged_no_longer_and_put_back_is_as_before(farm: Farm) -> None:
    before = assessed(farm)
    assert before["condition"] == "past-limit"
    since = typed(NOW - timedelta(days=9, hours=12))

    code, out, err = farm("set-aside", "heron-01", "--since", since, "--why", "the probe was loose", "--by", "Mo")

    assert (code, err) == (0, "")
    assert "set aside: 9 readings of heron-01" in out
    assert f'to undo it: farmwatch put-back-in heron-01 --since "{since}"' in " ".join(out.split())
    after = assessed(farm)
    assert after["condition"] == "ideal"
    assert after["steps"] == []
    assert after["reading"]["taken_at"] < before["reading"]["taken_at"]
    _, page, _ = farm("machine", "heron-01")
    assert "set aside: 9 readings" in page
    assert "the probe was loose, Mo" in " ".join(page.split())

    assert farm("put-back-in", "heron-01", "--since", since)[1] == "put back in: 9 readings of heron-01\n"
    assert assessed(farm) == before
    assert "set aside" not in farm("machine", "heron-01")[1]


def test_a_minute_means_the_reading_in_it(farm: Farm) -> None:
    newest = NOW - timedelta(days=1)
    code, out, _ = farm("set-aside", "heron-01", "--at", typed(newest.replace(second=0)), "--why", "cold")
    assert (code, out.splitlines()[0]) == (0, "set aside: 1 reading of heron-01")
    assert farm.store.entries("readings", "heron-01")[-1].why == "cold"
    # What stands already, and what the host shows again, does not come in anew by being set aside.
    last = farm.store.latest(["heron-01"])["heron-01"]
    assert last.set_aside == "cold"
    assert farm.store.add_readings([last]) == 0


def test_without_a_time_there_is_something_to_choose_from(farm: Farm) -> None:
    code, out, _ = farm("set-aside", "heron-01")
    assert code == 0
    assert "and 28 before these" in out
    at = out.splitlines()[1][:19]
    assert f'one: farmwatch set-aside heron-01 --at "{at}" --why "..."' in " ".join(out.split())
    assert farm("put-back-in", "heron-01")[1] == "heron-01: no reading is set aside\n"
    farm("set-aside", "heron-01", "--until", typed(NOW), "--why", "another bed")
    out = farm("put-back-in", "heron-01")[1]
    assert "another bed" in out
    assert "all: --all" in " ".join(out.split())
    assert farm("put-back-in", "heron-01", "--all")[1] == "put back in: 40 readings of heron-01\n"


def test_what_changes_nothing_says_what_stands_near(farm: Farm) -> None:
    at = typed(NOW - timedelta(days=1, hours=2))
    code, _, err = farm("set-aside", "heron-01", "--at", at, "--why", "x")
    assert code == 2
    assert "heron-01 has no reading of that time; the nearest is of 20" in err
    at = typed(NOW - timedelta(days=1), seconds=True)
    assert "none of these is set aside" in farm("put-back-in", "heron-01", "--at", at)[2]
    farm("set-aside", "heron-01", "--at", at, "--why", "x")
    assert "these are set aside already" in farm("set-aside", "heron-01", "--at", at, "--why", "x")[2]
    assert "heron-01 has no move" in farm("set-aside", "heron-01", "--moves", "--at", at, "--why", "x")[2]


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("set-aside", "heron-01", "--at", "2026-07-01 08:15"), "--why is missing"),
        (("set-aside", "heron-01", "--at", "2026-07-01 08:15", "--why", "a\nb"), "line break"),
        (("set-aside", "heron-01", "--at", "2026-07-01 08:15", "--why", "x" * 201), "at most 200 are kept"),
        (("set-aside", "heron-01", "--at", "2026-07-01 08:15", "--until", "2026-07-02 08:15"), "leave --since and"),
        (("set-aside", "heron-01", "--since", "2026-07-02 08:15", "--until", "2026-07-01 08:15"), "is before --since"),
        (("set-aside", "heron-1", "--why", "x"), 'did you mean "heron-01"?'),
        (("put-back-in", "heron-01", "--all", "--at", "2026-07-01 08:15"), "--all goes without a time"),
    ],
)
def test_faults_end_in_one_line(farm: Farm, arguments: tuple[str, ...], says: str) -> None:
    code, _, err = farm(*arguments)
    assert code == 2
    assert says in err
    assert err.count("\n") == 1


def test_a_note_is_set_aside(farm: Farm) -> None:
    before = assessed(farm)
    at = NOW - timedelta(days=20)
    farm.store.add_note(Note(machine="heron-01", at=at, what="replaced"))
    assert assessed(farm) != before

    code, out, _ = farm("set-aside", "heron-01", "--notes", "--at", typed(at, seconds=True), "--why", "wrong machine")

    assert (code, out.splitlines()[0]) == (0, "set aside: 1 note of heron-01")
    assert farm.store.notes() == []
    assert assessed(farm) == before
    assert "replaced" in farm("put-back-in", "heron-01", "--notes")[1]


def move(**changes: Any) -> Move:
    """A tooth at the front right that raised it by more than the model says."""
    facts: dict[str, Any] = {
        "machine": "heron-01", "at": NOW - timedelta(days=5, hours=1), "screw": "front-right", "teeth": 1, "mm": 0.4,
        "before_at": NOW - timedelta(days=6), "after_at": NOW - timedelta(days=5), "moved_mm": 0.46,
        "moved_sd_mm": 0.01, "range_before_mm": 0.4, "range_after_mm": 0.1,
    }  # fmt: skip
    return Move(**{**facts, **changes})


def test_a_move_is_set_aside_and_no_longer_learned_from(farm: Farm) -> None:
    before = assessed(farm)
    farm.store.add_moves([move(), move(screw="front-left"), move(at=NOW - timedelta(days=4))])
    learned = assessed(farm)
    assert learned != before
    assert farm("set-aside", "heron-01", "--moves", "--until", typed(NOW), "--why", "not turned")[0] == 0
    assert assessed(farm) == before
    assert "front-right, +1 teeth" in farm("put-back-in", "heron-01", "--moves")[1]
    farm("put-back-in", "heron-01", "--moves", "--all")
    assert assessed(farm) == learned


def test_what_a_move_did_is_not_told_by_a_mesh_that_is_set_aside(farm: Farm) -> None:
    farm.store.add_moves([move()])
    at = typed(NOW - timedelta(days=5), seconds=True)
    farm("set-aside", "heron-01", "--at", at, "--why", "cold")
    (found,) = farm.store.moves(["heron-01"])
    assert (found.teeth, found.after_at) == (1, NOW - timedelta(days=5))
    assert (found.moved_mm, found.moved_sd_mm, found.range_after_mm) == (None, None, None)
    farm("put-back-in", "heron-01", "--at", at)
    assert farm.store.moves(["heron-01"]) == [move()]


def test_the_log_says_who_and_why_and_the_stamp_changes(farm: Farm) -> None:
    store = farm.store
    stamp = store.change_stamps()["heron-01"]
    span = (LONG_AGO, NOW)
    assert store.set_aside("readings", "heron-01", span, why="loose", by="Mo", at=NOW) == 40
    assert store.put_back_in("readings", "heron-01", span, by="Ada", at=NOW + timedelta(hours=1)) == 40
    assert store.change_stamps()["heron-01"] != stamp
    with store.database.reading() as con:
        rows = con.execute('SELECT "from", put_back, entries, "by", why FROM set_aside_log ORDER BY "at"').fetchall()
    assert rows == [("readings", False, 40, "Mo", "loose"), ("readings", True, 40, "Ada", "")]


def test_an_export_keeps_the_mark(farm: Farm) -> None:
    farm("set-aside", "heron-01", "--until", typed(NOW), "--why", "loose")
    folder = farm.config.parent / "out"
    farm("export", "--to", str(folder))
    lines = [json.loads(line) for line in (folder / "readings.ndjson").read_text().splitlines()]
    assert {(line["machine"], line["set_aside"]) for line in lines} == {("heron-01", "loose"), ("plover-01", None)}


def test_all_of_a_machine_set_aside_leaves_no_mesh(farm: Farm) -> None:
    farm("set-aside", "heron-01", "--until", typed(NOW), "--why", "loose")
    assert assessed(farm)["reading"] is None
    assert farm("fleet")[0] == 0
    assert farm("report")[0] == 0
