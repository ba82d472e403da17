"""Whatever mesh comes in, there is an assessment, and what it says holds together."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from farmwatch.history import History, Reading
from farmwatch.judge.assessment import FleetAssessment
from farmwatch.judge.document import assessment_document
from farmwatch.judge.machine import judge_machine
from farmwatch.mesh import Mesh, MeshRefused
from farmwatch.model import Model, Screw

AT = datetime(2026, 11, 23, 6, tzinfo=UTC)
LAYOUTS = {
    2: ((0, 110), (220, 110)),
    3: ((20, 10), (200, 10), (110, 215)),
    4: ((10, 10), (210, 10), (210, 210), (10, 210)),
}


@st.composite
def histories(draw: st.DrawFn) -> History:
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    readings = []
    for day in range(draw(st.integers(1, 9))):
        rows, columns = draw(st.sampled_from([(3, 3), (7, 5)]))
        z = rng.normal(0.0, draw(st.sampled_from([0.0, 0.003, 0.05, 0.5])), (rows, columns))
        z += draw(st.sampled_from([0.0, 0.001, 0.01])) * np.arange(columns)
        z[rng.random(z.shape) < draw(st.sampled_from([0.0, 0.1]))] = np.nan
        if draw(st.booleans()):
            z[0, 0] += 2.0
        at = AT - timedelta(days=10 - day)
        try:
            mesh = Mesh.accept(np.linspace(10, 210, columns), np.linspace(10, 210, rows), z)
        except MeshRefused:
            continue
        readings.append(
            Reading(
                machine="heron-01",
                taken_at=at,
                seen_at=at,
                time_from="host",
                mesh=mesh,
                bed_celsius=draw(st.sampled_from([None, 20.0, 60.0])),
                plate=draw(st.sampled_from([None, "A", "B"])),
                during_work=draw(st.booleans()),
            )
        )
    return History.of("heron-01", readings)


@st.composite
def models(draw: st.DrawFn) -> Model:
    places = LAYOUTS[draw(st.sampled_from([2, 3, 4]))]
    screws = tuple(Screw(name=f"s{i}", x_mm=x, y_mm=y, reference=i == 1) for i, (x, y) in enumerate(places))
    return Model(
        name="tideframe-220",
        screws=screws,
        drive=draw(st.sampled_from(["belt", "free"])),
        lead_mm=draw(st.sampled_from([None, 2.0, 8.0])),
        pulley_teeth=20,
        clockwise=draw(st.sampled_from([None, "raises"])),
        bed=(0, 0, 220, 220),
        judge_from_celsius=draw(st.sampled_from([None, 45.0])),
        shim_stock_mm=draw(st.sampled_from([(), (0.05, 0.1, 0.2)])),
    )


@given(history=histories(), model=models())
@settings(max_examples=40, deadline=None)
def test_there_is_an_assessment_that_holds_together(bench, history: History, model: Model) -> None:
    one = judge_machine(history, model, bench.limits, AT)
    json.dumps(assessment_document(FleetAssessment(at=AT, limits=bench.limits, machines=(one,))), allow_nan=False)
    assert one.advice
    assert (one.since is None) == (one.condition == "unknown")
    if one.tooth_floor_mm is not None:
        assert one.form.flatness_mz_mm - 1e-9 <= one.tooth_floor_mm <= one.range_mm + 1e-9
    if one.plan is not None:
        reference = model.screws[1].name
        assert one.cause != "plate"
        assert reference not in one.plan.teeth
        assert min(one.plan.shims_mm.values()) == 0.0
        assert one.plan.range_after_shims_mm <= one.plan.range_after_mm + 1e-9
    elif "realign" in one.advice:
        assert model.drive == "belt"
        assert model.lead_mm is None
    if one.cause == "none" and one.condition != "unknown":
        assert not {"realign", "shim", "turn-plate", "plate"} & set(one.advice)
    # What was taken during work, or is turned into another order of stacks, changes no figure of the newest mesh.
    again = judge_machine(replace(history, stacks=history.stacks[::-1]), model, bench.limits, AT)
    assert (again.range_mm, again.cause, again.plan) == (one.range_mm, one.cause, one.plan)
