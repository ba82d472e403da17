"""Which readings count: enough of the bed, hot, in service, of this machine."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np

from farmwatch.eligibility import find_judgeable, how_to_be_judged, since_replaced, why_not_judged, without_repeats
from farmwatch.history import History, Note, OutOfService, Reading
from farmwatch.mesh import Mesh
from tests.farm import AXIS, MODEL, NOW, bed, model, reading

HOT = model(judge_from_celsius=45)


def part_of_bed(width: float) -> Reading:
    x, y = np.linspace(10.0, 10.0 + width, 5), np.linspace(10.0, 210.0, 5)
    return reading(Mesh.accept(x, y, np.zeros((5, 5))))


def judged(*readings: Reading, out: tuple[OutOfService, ...] = ()) -> list[bool]:
    history = replace(History.of("heron-01", list(readings)), out_of_service=out)
    return find_judgeable(history, HOT).tolist()


def test_a_mesh_over_less_than_70_percent_of_the_bed_is_not_judged() -> None:
    # 220 × 220 mm of bed: 0.7 of it is 169.4 mm × 200 mm.
    assert judged(part_of_bed(169.4)) == [True]
    assert judged(part_of_bed(169.3)) == [False]
    history = History.of("heron-01", [part_of_bed(110.0)])
    assert why_not_judged(history, -1, MODEL) == "it covers 45% of the bed, judged from 70% on"
    assert how_to_be_judged(history, -1, MODEL) == (
        "Meshing the same points again changes nothing: widen the probed area, "
        "correct `bed` of the model tideframe-220, or lower covered_share in [limits]."
    )


def test_the_share_of_the_bed_is_the_farms_own_and_usual_margins_pass() -> None:
    margins = Mesh.accept(np.linspace(15.0, 205.0, 5), np.linspace(15.0, 205.0, 5), np.zeros((5, 5)))
    assert judged(reading(margins)) == [True], "15 mm all round: 0.75 of 220 × 220"
    history = History.of("heron-01", [reading(margins)])
    strict = replace(HOT, covered_share=0.8)
    assert find_judgeable(history, strict).tolist() == [False]
    assert why_not_judged(history, -1, strict) == "it covers 75% of the bed, judged from 80% on"


def test_a_row_or_column_of_missing_points_at_the_rim_covers_nothing() -> None:
    for rim in (np.s_[0, :], np.s_[:, -1]):
        z = np.zeros((7, 7))
        z[rim] = np.nan
        assert judged(reading(Mesh.accept(AXIS, AXIS, z))) == [False]


def test_without_a_bed_in_the_model_every_mesh_covers_it() -> None:
    history = History.of("heron-01", [part_of_bed(50.0)])
    assert find_judgeable(history, replace(MODEL, bed=None)).tolist() == [True]


def test_a_mesh_probed_cold_is_not_judged() -> None:
    cold, warm = reading(bed(), bed_celsius=22.0), reading(bed(), days=1, bed_celsius=45.0)
    unknown, now = reading(bed(), days=2, bed_celsius=None), reading(bed(), days=3, bed_celsius=22.0, celsius_is="now")
    assert judged(cold, warm, unknown, now) == [False, True, True, True]
    history = History.of("heron-01", [cold])
    assert why_not_judged(history, 0, HOT) == "the bed was at 22 °C, judged from 45 °C on"
    assert how_to_be_judged(history, 0, HOT) == "Mesh it with the bed at 45 °C or more."
    assert how_to_be_judged(History.of("heron-01", [warm]), 0, HOT) == ""


def test_a_mesh_taken_out_of_service_is_not_judged() -> None:
    readings = [reading(bed(), days=day) for day in range(4)]
    since, until = NOW + timedelta(days=1), NOW + timedelta(days=3)
    out = OutOfService(machine="heron-01", since=since, reason="belt off", until=until)
    assert judged(*readings, out=(out,)) == [True, False, False, True]


def test_a_machine_replaced_begins_anew() -> None:
    note = Note(machine="heron-01", at=NOW + timedelta(days=1.5), what="replaced")
    readings = [reading(bed(), days=day) for day in range(4)]
    assert len(since_replaced(History.of("heron-01", readings, (note,)))) == 2
    assert len(since_replaced(History.of("heron-01", readings))) == 4


def test_the_same_mesh_again_within_the_hour_is_no_new_reading() -> None:
    mesh, other = bed(noise_mm=0.004, seed=1), bed(noise_mm=0.004, seed=2)
    minute = 1 / 1440
    first, again = reading(mesh), reading(mesh, days=2 * minute)
    history = without_repeats(History.of("heron-01", [first, again, reading(other, days=4 * minute)]))
    assert history.taken_at.tolist() == [NOW.timestamp(), (NOW + timedelta(minutes=4)).timestamp()]
    # The same on another day is what a probe of coarse steps may well repeat.
    assert len(without_repeats(History.of("heron-01", [first, reading(mesh, days=1)]))) == 2
    assert len(without_repeats(History.of("heron-01", [first, reading(other, days=2 * minute)]))) == 2
