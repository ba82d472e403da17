"""The fleet assessed from a real configuration and a real store."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from farmwatch.assess import assess, working_time
from farmwatch.config import Settings, load_settings
from farmwatch.errors import InputError
from farmwatch.history import History, Note, OutOfService, Reading
from farmwatch.judge import assessment_document
from farmwatch.measure import grid_points, influence
from farmwatch.mesh import Mesh
from farmwatch.sources import Histories, Known
from farmwatch.store import Move, PollRecord, Store
from tests.farm import MODEL_TEXT

GRID = np.linspace(10.0, 210.0, 7)
SCREWS = [(20.0, 10.0), (200.0, 10.0), (110.0, 215.0)]
# A Monday, 06:00 in Dublin.
AT = datetime(2026, 11, 23, 6, tzinfo=UTC)

CONFIG = """
[farm]
name = "Saltmarsh Tidegate Works"
timezone = "Europe/Dublin"
database = "farmwatch.duckdb"
reports = "reports"
report_at = "mon 06:00"
{working}

{model}
[mappings.survey-rows]
path = "/v1/survey/latest"
heights = "$.survey.grid"
x = [10, 210]
y = [10, 210]

{machines}
"""
MACHINE = """
[[machines]]
name = "{name}"
aisle = "{aisle}"
model = "tideframe-220"
"""
HOST = """mapping = "survey-rows"
address = "http://10.20.1.{number}"
"""


def farm(folder: Path, names: Sequence[str], working: str = "", hosts: bool = True) -> Settings:
    machines = "".join(
        MACHINE.format(name=name, aisle=name.split("-")[0]) + (HOST.format(number=i + 11) if hosts else "")
        for i, name in enumerate(names)
    )
    path = folder / "config.toml"
    path.write_text(CONFIG.format(model=MODEL_TEXT, working=working, machines=machines), encoding="utf-8")
    return load_settings(path)


def reading(
    name: str, lift: tuple[float, float] = (0.0, 0.0), days_ago: float = 0.1, seed: int = 1, **facts: object
) -> Reading:
    shares = influence(SCREWS, 2, *grid_points(GRID, GRID))
    rng = np.random.default_rng(seed)
    z = np.array([*lift, 0.0]) @ shares + rng.normal(0.0, 0.004, 49)
    at = AT - timedelta(days=days_ago)
    base = {"machine": name, "taken_at": at, "seen_at": at, "time_from": "host", "bed_celsius": 60.0, "plate": "A"}
    return Reading(mesh=Mesh.accept(GRID, GRID, z.reshape(7, 7)), **{**base, **facts})  # type: ignore[arg-type]


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return Store(tmp_path / "farmwatch.duckdb")


def polls(name: str, outcome: str, *hours_ago: float) -> list[PollRecord]:
    return [
        PollRecord(machine=name, at=AT - timedelta(hours=h), outcome=outcome, reason="no answer")  # type: ignore[arg-type]
        for h in hours_ago
    ]


class TestFleet:
    def test_is_assessed_in_the_order_of_the_configuration(self, tmp_path: Path, store: Store) -> None:
        settings = farm(tmp_path, ["plover-01", "heron-01", "avocet-01"])
        store.add_readings(
            [
                reading("heron-01", (0.8, 0.0), seed=1),
                reading("plover-01", (0.02, 0.0), seed=2),
                reading("gull-99", (0.8, 0.0), seed=3),
            ]
        )
        fleet = assess(settings, store, AT)
        assert [one.machine for one in fleet.machines] == ["plover-01", "heron-01", "avocet-01"]
        assert [one.condition for one in fleet.machines] == ["ideal", "past-limit", "unknown"]
        assert [one.aisle for one in fleet.machines] == ["plover", "heron", "avocet"]
        heron = fleet.machines[1]
        assert (heron.cause, heron.advice) == ("screws", ("realign",))
        assert heron.plan is not None
        assert heron.plan.teeth == {"front-left": -2, "front-right": 0}
        assert assessment_document(fleet)["machines"][2]["reading"] is None

    def test_of_some_names_only(self, tmp_path: Path, store: Store) -> None:
        settings = farm(tmp_path, ["plover-01", "heron-01"])
        store.add_readings([reading("heron-01", (0.8, 0.0)), reading("plover-01", seed=2)])
        (one,) = assess(settings, store, AT, ["heron-01"]).machines
        whole = {other.machine: other for other in assess(settings, store, AT).machines}
        assert one.range_mm == whole["heron-01"].range_mm
        assert one.plan == whole["heron-01"].plan

    def test_an_unknown_name_is_said(self, tmp_path: Path, store: Store) -> None:
        settings = farm(tmp_path, ["heron-01"])
        with pytest.raises(InputError, match="heron-10"):
            assess(settings, store, AT, ["heron-10"])

    def test_only_what_was_taken_at_or_before_counts(self, tmp_path: Path, store: Store) -> None:
        settings = farm(tmp_path, ["heron-01"])
        store.add_readings([reading("heron-01", days_ago=3), reading("heron-01", (0.8, 0.0), days_ago=1)])
        assert assess(settings, store, AT - timedelta(days=2)).machines[0].condition == "ideal"
        assert assess(settings, store, AT).machines[0].condition == "past-limit"

    def test_the_same_data_gives_the_same_document(self, tmp_path: Path, store: Store) -> None:
        settings = farm(tmp_path, ["heron-01"])
        store.add_readings([reading("heron-01", (0.01 * d, 0.0), days_ago=40 - d, seed=d) for d in range(12)])
        assert assessment_document(assess(settings, store, AT)) == assessment_document(assess(settings, store, AT))

    def test_notes_of_the_store_are_heard(self, tmp_path: Path, store: Store) -> None:
        settings = farm(tmp_path, ["heron-01"])
        store.add_readings([reading("heron-01", (0.8, 0.0), days_ago=5), reading("heron-01", days_ago=1, seed=2)])
        store.add_note(Note(machine="heron-01", at=AT - timedelta(days=3), what="replaced"))
        one = assess(settings, store, AT).machines[0]
        assert one.since == AT - timedelta(days=1)


class TestTwins:
    def test_one_mesh_from_two_machines_is_a_warning_on_both(self, tmp_path: Path, store: Store) -> None:
        settings = farm(tmp_path, ["heron-01", "heron-02", "heron-03"])
        store.add_readings(
            [reading("heron-01"), reading("heron-02", days_ago=0.2), reading("heron-03", seed=2, days_ago=0.3)]
        )
        one, two, three = assess(settings, store, AT).machines
        assert "heron-02" in one.warnings[0]
        assert "heron-01" in two.warnings[0]
        assert (one.twins, two.twins, three.twins) == (("heron-02",), ("heron-01",), ())
        assert three.warnings == ()
        assert "heron-02" in assess(settings, store, AT, ["heron-01"]).machines[0].warnings[0]

    def test_a_machine_that_is_not_of_the_farm_is_nobodys_twin(self, tmp_path: Path, store: Store) -> None:
        settings = farm(tmp_path, ["heron-01"])
        store.add_readings([reading("heron-01"), reading("gull-99")])
        assert assess(settings, store, AT).machines[0].warnings == ()


class TestHost:
    def test_when_it_last_answered_and_what_came_of_the_last_try(self, tmp_path: Path, store: Store) -> None:
        settings = farm(tmp_path, ["heron-01"])
        store.add_round([reading("heron-01")], [*polls("heron-01", "new", 3), *polls("heron-01", "timed-out", 2, 1)])
        one = assess(settings, store, AT).machines[0]
        assert one.host_answered_at == AT - timedelta(hours=3)
        assert (one.last_outcome, one.last_reason, one.silent) == ("timed-out", "no answer", False)

    def test_silent_for_more_than_a_day(self, tmp_path: Path, store: Store) -> None:
        settings = farm(tmp_path, ["heron-01"])
        store.add_round([reading("heron-01", days_ago=2)], polls("heron-01", "new", 30))
        store.add_round((), polls("heron-01", "unreachable", 29, 12, 1))
        one = assess(settings, store, AT).machines[0]
        assert one.silent
        assert one.advice == ("leave", "check-host")
        assert one.condition == "ideal"

    def test_while_nobody_asks_nobody_is_silent(self, tmp_path: Path, store: Store) -> None:
        settings = farm(tmp_path, ["heron-01"])
        store.add_round([reading("heron-01", days_ago=9)], polls("heron-01", "new", 200))
        assert not assess(settings, store, AT).machines[0].silent

    def test_one_that_never_answered_is_silent_from_the_first_try_on(self, tmp_path: Path, store: Store) -> None:
        settings = farm(tmp_path, ["heron-01", "heron-02"])
        store.add_round((), [*polls("heron-01", "unreachable", 30, 1), *polls("heron-02", "unreachable", 3, 1)])
        one, two = assess(settings, store, AT).machines
        assert one.silent
        assert one.advice == two.advice == ("check-host",)
        assert not two.silent

    def test_a_host_that_answers_rubbish_is_not_silent(self, tmp_path: Path, store: Store) -> None:
        settings = farm(tmp_path, ["heron-01"])
        store.add_round((), [*polls("heron-01", "new", 90), *polls("heron-01", "garbled", 60, 30, 1)])
        assert not assess(settings, store, AT).machines[0].silent

    def test_one_that_answers_rubbish_for_as_long_as_it_might_be_silent_is_looked_at_too(
        self, tmp_path: Path, store: Store
    ) -> None:
        settings = farm(tmp_path, ["heron-01", "heron-02", "heron-03", "heron-04"])
        store.add_round((),
            [
                *polls("heron-01", "new", 90), *polls("heron-01", "garbled", 60, 30, 1),
                *polls("heron-02", "new", 20), *polls("heron-02", "garbled", 10, 1),
                *polls("heron-03", "refused", 30, 1),
                *polls("heron-04", "new", 90), *polls("heron-04", "no-mesh", 60, 1),
            ]
        )  # fmt: skip
        found = assess(settings, store, AT).machines
        assert [one.not_understood for one in found] == [True, False, True, False]
        assert [one.silent for one in found] == [False] * 4
        # None of them has a mesh here: only the one that answers well and has none is sent to probe.
        assert found[0].advice == found[1].advice == found[2].advice == ("check-host",)
        assert found[3].advice == ("re-mesh",)

    def test_silence_counts_in_working_hours_only(self, tmp_path: Path, store: Store) -> None:
        """Monday 06:00: a host silent since Friday 17:00 has missed one working hour."""
        settings = farm(tmp_path, ["heron-01"], 'working = "mon-fri 06:00-18:00"')
        store.add_round((), [*polls("heron-01", "new", 61), *polls("heron-01", "unreachable", 60, 30, 0)])
        assert not assess(settings, store, AT).machines[0].silent

    def test_a_machine_without_a_host_is_never_silent(self, tmp_path: Path, store: Store) -> None:
        settings = farm(tmp_path, ["heron-01"], hosts=False)
        store.add_readings([reading("heron-01", days_ago=40, time_from="file")])
        one = assess(settings, store, AT).machines[0]
        assert (one.has_host, one.silent, one.host_answered_at, one.mesh_old) == (False, False, None, True)

    def test_out_of_service_is_neither_flagged_nor_silent(self, tmp_path: Path, store: Store) -> None:
        settings = farm(tmp_path, ["heron-01"])
        store.add_round([reading("heron-01", (0.8, 0.0), days_ago=3)], polls("heron-01", "new", 72))
        store.add_round((), polls("heron-01", "unreachable", 48, 1))
        store.take_out(OutOfService(machine="heron-01", since=AT - timedelta(days=2), reason="belt off"))
        one = assess(settings, store, AT).machines[0]
        assert (one.in_service, one.out_reason, one.silent, one.advice) == (False, "belt off", False, ())
        assert one.condition == "past-limit"

    def test_what_was_read_while_it_was_out_is_never_judged(self, tmp_path: Path, store: Store) -> None:
        settings = farm(tmp_path, ["heron-01"])
        store.add_readings([reading("heron-01", days_ago=5), reading("heron-01", (0.8, 0.0), days_ago=3)])
        since = AT - timedelta(days=4)
        store.take_out(OutOfService(machine="heron-01", since=since, reason="belt off"))
        store.bring_back("heron-01", AT - timedelta(days=2))
        one = assess(settings, store, AT).machines[0]
        assert one.in_service
        assert one.condition == "ideal"
        assert one.reading is not None
        assert not one.reading.judged
        assert "out of service" in one.reading.why_not_judged


class TestWorkingTime:
    DAY = 'working = "mon-fri 06:00-18:00"\nclosed = [2026-12-25]'

    @pytest.mark.parametrize(
        ("since", "until", "hours"),
        [
            ("2026-11-20T17:00", "2026-11-23T07:00", 2),  # over a weekend
            ("2026-11-23T05:00", "2026-11-23T06:00", 0),
            ("2026-11-23T00:00", "2026-11-24T00:00", 12),
            ("2026-11-16T00:00", "2026-11-23T00:00", 60),
            ("2026-12-24T00:00", "2026-12-26T00:00", 12),  # the 25th is closed
            ("2026-10-23T00:00", "2026-10-27T00:00", 24),  # over the clock change: Friday and Monday
            ("2026-11-23T12:00", "2026-11-23T11:00", 0),
        ],
    )
    def test_counts_the_hours_that_are_worked(self, tmp_path: Path, since: str, until: str, hours: float) -> None:
        settings = farm(tmp_path, ["heron-01"], self.DAY)
        zone = settings.farm.timezone
        start, end = (datetime.fromisoformat(text).replace(tzinfo=zone).astimezone(UTC) for text in (since, until))
        assert working_time(settings.farm, start, end) == timedelta(hours=hours)

    def test_is_all_time_where_the_farm_says_nothing(self, tmp_path: Path) -> None:
        settings = farm(tmp_path, ["heron-01"])
        assert working_time(settings.farm, AT - timedelta(days=3), AT) == timedelta(days=3)


def test_a_mesh_of_unknown_age_says_so(tmp_path: Path, store: Store) -> None:
    settings = farm(tmp_path, ["heron-01"])
    store.add_readings([reading("heron-01", time_from="unknown")])
    assert "how old" in assess(settings, store, AT).machines[0].warnings[0]


class TestLearned:
    def moves(self, hours_ago: float = 20.0) -> list[Move]:
        """One tooth clockwise let the bed down by 0.3 mm: neither the step nor the sense that the model states."""
        told = AT - timedelta(hours=hours_ago)
        base = {"machine": "heron-01", "before_at": told, "after_at": told + timedelta(hours=1), "range_before_mm": 0.6}
        return [
            Move(screw="front-left", at=told, teeth=1, moved_mm=-0.3, moved_sd_mm=0.008, **base),  # type: ignore[arg-type]
            Move(screw="front-left", at=told, teeth=-2, moved_mm=0.6, moved_sd_mm=0.008, **base),  # type: ignore[arg-type]
        ]

    def test_a_machines_own_moves_teach_its_step_and_sense(self, tmp_path: Path, store: Store) -> None:
        settings = farm(tmp_path, ["heron-01"])
        store.add_readings([reading("heron-01", (0.6, 0.0))])
        assert assess(settings, store, AT).machines[0].plan.teeth == {"front-left": -1, "front-right": 0}  # type: ignore[union-attr]
        store.add_moves(self.moves())
        one = assess(settings, store, AT).machines[0]
        assert one.step_learned
        assert one.plan is not None
        assert one.plan.teeth == {"front-left": -2, "front-right": 0}
        assert one.tooth_floor_mm == pytest.approx(0.02, abs=0.01)
        assert one.model.clockwise == "lowers"
        assert len(one.warnings) == 2

    def test_a_move_whose_mesh_came_later_does_not_count_yet(self, tmp_path: Path, store: Store) -> None:
        settings = farm(tmp_path, ["heron-01"])
        store.add_readings([reading("heron-01", (0.6, 0.0))])
        store.add_moves(self.moves(hours_ago=0.5))
        one = assess(settings, store, AT).machines[0]
        assert not one.step_learned
        assert one.model.clockwise == "raises"


class TestSource:
    def test_histories_in_memory_are_assessed_as_the_store_is(self, tmp_path: Path, store: Store) -> None:
        settings = farm(tmp_path, ["plover-01", "heron-01"], hosts=False)
        same = [reading(name, (0.3, 0.0), days, seed=4) for name in ("plover-01", "heron-01") for days in (3.0, 0.2)]
        store.add_readings(same)
        held = {name: History.of(name, [r for r in same if r.machine == name]) for name in ("plover-01", "heron-01")}
        memory = assess(settings, Histories(held=Known(histories=held)), AT)
        assert assessment_document(memory) == assessment_document(assess(settings, store, AT))
        assert memory.machines[0].twins == ("heron-01",)
