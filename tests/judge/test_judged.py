from __future__ import annotations

from dataclasses import replace

import numpy as np

from farmwatch.history import History, Note, OutOfService, Reading
from farmwatch.judge.judged import find_judgeable, how_to_be_judged, since_replaced, why_not_judged
from farmwatch.mesh import Mesh


def part_of_bed(bench, width: float, days: float = 0.0) -> Reading:
    x = np.linspace(10.0, 10.0 + width, 5)
    y = np.linspace(10.0, 210.0, 5)
    reading = bench.reading(bench.bed(), days)
    return replace(reading, mesh=Mesh.accept(x, y, np.zeros((5, 5))))


def judged(bench, *readings: Reading, out: tuple[OutOfService, ...] = ()) -> list[bool]:
    return find_judgeable(History.of("heron-01", list(readings)), bench.model, out).tolist()


def test_a_mesh_over_less_than_80_percent_of_the_bed_is_not_judged(bench) -> None:
    # 220 × 220 mm of bed: 0.8 of it is 193.6 mm × 200 mm.
    assert judged(bench, part_of_bed(bench, 193.6)) == [True]
    assert judged(bench, part_of_bed(bench, 193.5)) == [False]
    history = History.of("heron-01", [part_of_bed(bench, 110.0)])
    assert why_not_judged(history, -1, bench.model) == "it covers 45% of the bed, judged from 80% on"
    assert how_to_be_judged(history, -1, bench.model) == (
        "Meshing the same points again changes nothing: widen the probed area, "
        "or correct bed of the model tideframe-220 in the configuration."
    )


def test_a_row_of_missing_points_at_the_rim_covers_nothing(bench) -> None:
    reading = bench.reading(bench.bed())
    z = np.zeros((7, 7))
    z[0, :] = np.nan
    assert judged(bench, replace(reading, mesh=Mesh.accept(reading.mesh.x, reading.mesh.y, z))) == [False]


def test_without_a_bed_in_the_model_every_mesh_covers_it(bench) -> None:
    history = History.of("heron-01", [part_of_bed(bench, 50.0)])
    assert find_judgeable(history, replace(bench.model, bed=None)).tolist() == [True]


def test_a_mesh_probed_cold_is_not_judged(bench) -> None:
    cold = bench.reading(bench.bed(), 0, bed_celsius=22.0)
    warm = bench.reading(bench.bed(), 1, bed_celsius=45.0)
    unknown = bench.reading(bench.bed(), 2, bed_celsius=None)
    now = bench.reading(bench.bed(), 3, bed_celsius=22.0, celsius_is="now")
    assert judged(bench, cold, warm, unknown, now) == [False, True, True, True]
    history = History.of("heron-01", [cold])
    assert why_not_judged(history, 0, bench.model) == "the bed was at 22 °C, judged from 45 °C on"
    assert how_to_be_judged(history, 0, bench.model) == "Mesh it with the bed at 45 °C or more."
    assert how_to_be_judged(History.of("heron-01", [warm]), 0, bench.model) == ""


def test_a_mesh_taken_out_of_service_is_not_judged(bench) -> None:
    readings = [bench.reading(bench.bed(), day) for day in range(4)]
    out = OutOfService(machine="heron-01", since=bench.at(1), reason="belt off", until=bench.at(3))
    assert judged(bench, *readings, out=(out,)) == [True, False, False, True]


def test_a_machine_replaced_begins_anew(bench) -> None:
    note = Note(machine="heron-01", at=bench.at(1.5), what="replaced")
    readings = [bench.reading(bench.bed(), day) for day in range(4)]
    assert len(since_replaced(History.of("heron-01", readings, (note,)))) == 2
    assert len(since_replaced(History.of("heron-01", readings))) == 4
