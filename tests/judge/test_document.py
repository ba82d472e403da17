"""The example of the assessment document, regenerated from a real mesh (`example_reading.ndjson`)."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from farmwatch.follow import Drift, Forecast, HistoryFindings, Step
from farmwatch.history import History, Reading
from farmwatch.judge.assessment import FleetAssessment
from farmwatch.judge.document import assessment_document
from farmwatch.judge.machine import HostFacts, judge_machine, with_host
from farmwatch.judge.tooth_plans import tooth_plan
from farmwatch.measure import influence, least_squares_plane, minimum_zone_plane
from farmwatch.mesh import Mesh

EXAMPLE = json.loads(
    """
{"schema":"farmwatch.assessment/1","at":"2026-11-23T06:00:00Z","limits":{"usable_mm":0.2,"ideal_mm":0.1},
 "machines":[{"machine":"heron-01","model":"tideframe-220","aisle":"heron","in_service":true,
  "host_answered_at":"2026-11-23T05:58:12Z",
  "reading":{"taken_at":"2026-11-23T05:58:11Z","time_from":"host","rows":7,"columns":7,"bed_celsius":60.0,"plate":"A",
   "judged":true},
  "range_mm":0.793,"range_sd_mm":0.014,
  "tilt":{"x_mm_per_m":-3.33,"y_mm_per_m":0.59,"high_side":"left"},
  "form":{"flatness_ls_mm":0.094,"flatness_mz_mm":0.088,"rms_mm":0.022,"shape":"bowl"},
  "spikes":[],
  "screws":[{"name":"front-left","height_mm":0.179,"sd_mm":0.004,"reference":false},
   {"name":"front-right","height_mm":-0.421,"sd_mm":0.004,"reference":false},
   {"name":"rear","height_mm":0.0,"sd_mm":0.0,"reference":true}],
  "tooth_floor_mm":0.321,"condition":"past-limit","confirmed":true,"since":"2026-11-19T05:58:02Z","since_records_began":false,"cause":"screws",
  "advice":["realign","shim"],
  "plan":{"teeth":{"front-left":0,"front-right":1},"range_after_mm":0.321,
   "shims_mm":{"front-left":0.0,"front-right":0.2,"rear":0.2},"range_after_shims_mm":0.092},
  "drift":{"since":"2026-08-02T04:00:00Z","readings":112,
   "mm_per_week":{"front-left":0.001,"front-right":-0.002},"significant":false},
  "suspected_step":null,
  "steps":[{"at":"2026-11-19T05:58:02Z","name":"tooth-jump","screw":"front-right","mm":-0.401,"teeth":-1,"also":[]}],
  "forecast":null,"ticket":null}]}
"""
)
READING = json.loads((Path(__file__).parent / "example_reading.ndjson").read_text(encoding="utf-8"))
AT = datetime(2026, 11, 23, 6, tzinfo=UTC)
JUMPED = datetime(2026, 11, 19, 5, 58, 2, tzinfo=UTC)
# The example's figures are those of one mesh and its noise; ours is another draw of the same bed.
ABOUT_MM = 0.0035


def read(z: np.ndarray, at: datetime) -> Reading:
    mesh = Mesh.accept(READING["x"], READING["y"], z)
    facts = {"bed_celsius": READING["bed_celsius"], "plate": READING["plate"]}
    return Reading(machine="heron-01", taken_at=at, seen_at=at, time_from="host", mesh=mesh, **facts)


@pytest.fixture
def history(bench) -> History:
    """A level bed with the example's form, the days since it moved, and the mesh of the example.

    The example's bed a tooth earlier would be past the limit too; so that `since` is the jump, ours stood level.
    """
    rng = np.random.default_rng(7)
    newest = np.array(READING["heights"])
    x, y = bench.points
    level = (newest.ravel() - least_squares_plane(x, y, newest.ravel()).at(x, y)).reshape(7, 7)

    def probe(z: np.ndarray) -> np.ndarray:
        homed = np.array([*rng.normal(0.0, 0.008, 2), 0.0]) @ bench.influence
        return z + homed.reshape(7, 7) + rng.normal(0.0, 0.008, (7, 7))

    before = [read(probe(level), JUMPED - timedelta(days=day)) for day in range(1, 60)]
    since = [read(probe(newest), JUMPED + timedelta(days=day)) for day in range(4)]
    taken = datetime.fromisoformat(READING["taken_at"].replace("Z", "+00:00"))
    return History.of("heron-01", [*before, *since, read(newest, taken)])


@pytest.fixture
def followed() -> HistoryFindings:
    return HistoryFindings(
        steps=(Step(at=JUMPED, name="tooth-jump", screw="front-right", mm=-0.401, teeth=-1, sd_mm=0.004),),
        drift=Drift(
            since=datetime(2026, 8, 2, 4, tzinfo=UTC),
            readings=112,
            mm_per_week={"front-left": 0.001, "front-right": -0.002},
            significant=False,
        ),
    )


@pytest.fixture
def document(bench, history, followed) -> dict[str, Any]:
    one = replace(judge_machine(history, bench.model, bench.limits, AT, followed=followed), aisle="heron")
    one = with_host(one, HostFacts(answered_at=datetime(2026, 11, 23, 5, 58, 12, tzinfo=UTC)))
    return assessment_document(FleetAssessment(at=AT, limits=bench.limits, machines=(one,)))


def like(ours: Any, theirs: Any, path: str = "$") -> None:
    """Same keys in the same order, same kinds, same texts; numbers about the same."""
    if isinstance(theirs, dict):
        assert list(ours) == list(theirs), path
        for key in theirs:
            like(ours[key], theirs[key], f"{path}.{key}")
    elif isinstance(theirs, list):
        assert len(ours) == len(theirs), path
        for i, (a, b) in enumerate(zip(ours, theirs, strict=True)):
            like(a, b, f"{path}[{i}]")
    elif isinstance(theirs, float):
        assert type(ours) is float, path
        assert ours == pytest.approx(theirs, abs=ABOUT_MM), path
    else:
        assert type(ours) is type(theirs), path
        assert ours == theirs, path


class TestExample:
    def test_is_regenerated_from_a_real_mesh(self, document) -> None:
        like(document, EXAMPLE)

    def test_its_numbers_are_those_of_the_mesh(self, document, bench) -> None:
        """Each figure recomputed here by other means than the judge's."""
        one = document["machines"][0]
        z = np.array(READING["heights"]).ravel()
        x, y = (part.ravel() for part in np.meshgrid(READING["x"], READING["y"]))
        (bx, by, _), *_ = np.linalg.lstsq(np.column_stack([x, y, np.ones(x.size)]), z, rcond=None)
        e = z - least_squares_plane(x, y, z).at(x, y)
        lift = influence(bench.model.screws_xy, 2, x, y)
        assert one["range_mm"] == round(float(np.ptp(z)), 3)
        assert one["tilt"] == {
            "x_mm_per_m": round(bx * 1000, 2), "y_mm_per_m": round(by * 1000, 2), "high_side": "left",
        }  # fmt: skip
        assert one["form"]["flatness_ls_mm"] == round(float(np.ptp(e)), 3)
        assert one["form"]["flatness_mz_mm"] == round(float(minimum_zone_plane(x, y, z).width), 3)
        assert one["form"]["rms_mm"] == round(math.sqrt(float((e * e).mean())), 3)
        teeth = np.array([*one["plan"]["teeth"].values(), 0])
        shims = np.array(list(one["plan"]["shims_mm"].values()))
        assert one["plan"]["range_after_mm"] == round(float(np.ptp(z + 0.4 * teeth @ lift)), 3)
        assert one["plan"]["range_after_shims_mm"] == round(float(np.ptp(z + (0.4 * teeth + shims) @ lift)), 3)
        assert one["tooth_floor_mm"] == round(float(tooth_plan(z, lift, 0.4, 2).range_mm), 3)
        heights = [bx * (s.x_mm - 110) + by * (s.y_mm - 215) for s in bench.model.screws]
        assert [screw["height_mm"] for screw in one["screws"]] == [round(h, 3) for h in heights]

    def test_is_plain_json(self, document) -> None:
        assert json.loads(json.dumps(document, allow_nan=False)) == document


class TestWhatIsNotKnown:
    def test_is_null(self, bench) -> None:
        one = replace(judge_machine(History.of("heron-01", []), bench.model, bench.limits, AT), aisle="heron")
        found = assessment_document(FleetAssessment(at=AT, limits=bench.limits, machines=(one,)))["machines"][0]
        assert list(found) == list(EXAMPLE["machines"][0])
        for key in ("reading", "range_mm", "range_sd_mm", "tilt", "form", "tooth_floor_mm", "since", "plan", "drift"):
            assert found[key] is None, key
        assert (found["condition"], found["confirmed"], found["spikes"], found["steps"]) == ("unknown", False, [], [])


class TestForecast:
    def test_of_a_machine_under_the_limit(self, bench, followed) -> None:
        coming = Forecast(chance=0.9312, p10=10.6, p50=19.2, p90=None)
        later = HistoryFindings(forecast=coming)
        history = bench.history(bench.bed((0.03, 0.0, 0.0), bench.form()), 3)
        one = judge_machine(history, bench.model, bench.limits, AT, followed=later)
        found = assessment_document(FleetAssessment(at=AT, limits=bench.limits, machines=(one,)))["machines"][0]
        assert found["plan"] is None
        assert found["forecast"] == {"horizon_days": 182, "chance": 0.93, "days": {"p10": 11, "p50": 19, "p90": None}}

    def test_a_chance_out_of_draws_is_never_a_certainty(self, bench) -> None:
        history = bench.history(bench.bed((0.03, 0.0, 0.0), bench.form()), 3)
        sure = HistoryFindings(forecast=Forecast(chance=0.997, p10=1.0, p50=2.0, p90=3.0))
        one = judge_machine(history, bench.model, bench.limits, AT, followed=sure)
        found = assessment_document(FleetAssessment(at=AT, limits=bench.limits, machines=(one,)))["machines"][0]
        assert found["forecast"]["chance"] == 0.99


class TestOtherParts:
    def test_spikes_and_free_drives(self, bench) -> None:
        z = bench.bed((0.5, 0.0, 0.0), bench.form())
        z[24] += 0.6
        model = replace(bench.model, drive="free")
        one = judge_machine(bench.history(z, 3), model, bench.limits, AT)
        found = assessment_document(FleetAssessment(at=AT, limits=bench.limits, machines=(one,)))["machines"][0]
        (spike,) = found["spikes"]
        assert (spike["row"], spike["column"], spike["x_mm"], spike["y_mm"]) == (3, 3, 110.0, 110.0)
        assert spike["stands_off_mm"] == pytest.approx(0.6, abs=0.05)
        assert found["plan"]["teeth"] == {}
        assert found["plan"]["turn_mm"]["front-left"] == pytest.approx(-0.5, abs=0.01)
        assert found["tooth_floor_mm"] is None

    def test_no_negative_zero_and_times_in_utc(self, bench) -> None:
        one = judge_machine(bench.history(bench.bed(), 3), bench.model, bench.limits, AT)
        text = json.dumps(assessment_document(FleetAssessment(at=AT, limits=bench.limits, machines=(one,))))
        assert "-0.0," not in text
        assert "+00:00" not in text
