"""Two measured surfaces that nobody here made, served over HTTP, polled, stored, assessed: published figures come out.

- The surface plate: J. C. Moody, How to Calibrate Surface Plates in the Plant, The Tool Engineer, October 1955,
  Table 1 and Fig. 6, with the corrections of B. Allen, 2019. Its 126 stations lie on eight lines and form no grid. The
  three lines that run north to south (west edge, centre line, east edge) do: 3 x 11 stations. All four stations that
  touch the minimum zone of the whole plate are among them, so that the minimum zone of this grid is that of the plate.
- The volcano: 61 x 87 heights of Maunga Whau on a 10 m grid, digitised by R. Ihaka (R datasets), scaled to a bed.

What each must give stands in tests/reference (INDEX.md says how it was recomputed); what the index does not hold, the
plate's least squares on 33 stations, is computed here by another road: normal equations in exact fractions.
"""

from __future__ import annotations

import csv
import json
import random
import tomllib
from datetime import UTC, datetime
from fractions import Fraction
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from farmwatch.assess import assess
from farmwatch.collect import poll_once
from farmwatch.config import Farm, Machine, Mapping, Settings
from farmwatch.judge import Assessment
from farmwatch.model import Model, Screw
from farmwatch.store import Store
from tests.collect.hosts import serving

REFERENCE = Path(__file__).parent / "reference"
NOW = datetime(2026, 11, 23, 6, 0, tzinfo=UTC)
INCH = 25.4
# The volcano on a bed: 10 m of ground are 2.5 mm of bed, 1 m of height is 10 um.
GROUND, HEIGHT = 0.25, 0.01
STEP = 10 * GROUND


def plate() -> list[tuple[float, float, float]]:
    """x, y in inches and height in microinches of the 33 stations on the three lines from north to south."""
    lines = [line for line in (REFERENCE / "moody_1955_surface_plate.csv").read_text().splitlines() if line[:1] != "#"]
    rows = [row for row in csv.DictReader(lines) if row["line"] in ("W_NS", "C_NS", "E_NS")]
    return [(float(r["x_in"]), float(r["y_in"]), float(r["recomputed_height_microinch"])) for r in rows]


def volcano() -> np.ndarray:
    return np.loadtxt(REFERENCE / "volcano_61x87.csv", delimiter=",", comments="#")


def facts(name: str) -> dict[str, float]:
    return tomllib.loads((REFERENCE / f"{name}.toml").read_text())["recomputed"]


def plate_answer() -> Any:
    """As a host that lists points might say it: in no order, heights in inches."""
    points = [{"at": {"x": x * INCH, "y": y * INCH}, "dev": z * 1e-6} for x, y, z in plate()]
    random.Random(1955).shuffle(points)
    return {"calibration": {"stations": points}}


def flat_answer() -> Any:
    """The same hill from the rear right, column by column, every second one backwards, um, downwards."""
    grid = volcano()
    columns = [grid[::-1, c].tolist() for c in range(grid.shape[1] - 1, -1, -1)]
    columns = [column[::-1] if number % 2 else column for number, column in enumerate(columns)]
    values = [-height * HEIGHT * 1000 for column in columns for height in column]
    return {"probe": [{"unit": "um"}, {"z": values}], "size": {"across": grid.shape[1]}}


def rows_answer() -> Any:
    grid = volcano() * HEIGHT
    xs, ys = (np.arange(n) * STEP for n in (grid.shape[1], grid.shape[0]))
    return {"mesh": {"z": grid.tolist(), "x": xs.tolist(), "y": ys.tolist()}}


def text_answer() -> bytes:
    return "\n".join("\t".join(repr(float(z)) for z in row) for row in volcano() / 1000 / INCH * 10).encode()


X_ENDS, Y_ENDS = (0.0, 86 * STEP), (0.0, 60 * STEP)
HOSTS: dict[str, tuple[Any, dict[str, Any]]] = {
    "plate": (
        plate_answer(),
        {"heights": "$.calibration.stations", "layout": "points", "unit": "inch",
         "point_x": "$.at.x", "point_y": "$.at.y", "point_z": "$.dev"},
    ),
    "rows": (rows_answer(), {"heights": "$.mesh.z", "x": "$.mesh.x", "y": "$.mesh.y"}),
    "flat": (
        flat_answer(),
        {"heights": "$.probe[1].z", "layout": "flat", "columns": "$.size.across", "first": "rear-right",
         "order": "along-y", "serpentine": True, "unit": "um", "sign": "bed-down", "x": X_ENDS, "y": Y_ENDS},
    ),
    "text": (text_answer(), {"answer": "text", "unit": "inch", "x": X_ENDS, "y": Y_ENDS}),
}  # fmt: skip


@pytest.fixture(scope="module")
def assessed(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Assessment]:
    folder = tmp_path_factory.mktemp("farm")
    screws = (
        Screw(name="front-left", x_mm=10, y_mm=10),
        Screw(name="front-right", x_mm=200, y_mm=10),
        Screw(name="rear", x_mm=105, y_mm=140, reference=True),
    )
    with serving({f"/{name}": answer for name, (answer, _) in HOSTS.items()}) as host:
        settings = Settings(
            farm=Farm(name="Saltmarsh", timezone=ZoneInfo("UTC"), database=folder / "a.duckdb", reports=folder),
            # A hill has edges that a bed has not: with a probe so coarse none of them counts as a spike.
            models={"hill": Model(name="hill", screws=screws, probe_sigma_mm=1.0)},
            mappings={name: Mapping(name=name, path=f"/{name}", **way) for name, (_, way) in HOSTS.items()},
            machines=tuple(Machine(name=name, model="hill", mapping=name, address=host.address) for name in HOSTS),
        )
        store = Store(settings.farm.database)
        found = poll_once(settings, store, NOW)
    assert {record.outcome for record in found.records} == {"new"}
    return {one.machine: one for one in assess(settings, store, NOW.replace(hour=7)).machines}


class TestVolcano:
    @pytest.mark.parametrize("name", ["rows", "flat", "text"])
    def test_every_mapping_gives_the_figures_of_the_index(self, name, assessed):
        known, got = facts("volcano_61x87"), assessed[name]
        assert (got.reading.rows, got.reading.columns) == (61, 87)
        # Of the published five-number summary, the ends: 94 and 195 m.
        assert got.range_mm == pytest.approx((195 - 94) * HEIGHT, abs=1e-9)
        slope = HEIGHT / GROUND * 1000
        assert got.tilt.x_mm_per_m == pytest.approx(known["ls_plane_slope_x_per_m"] * slope, abs=1e-9)
        assert got.tilt.y_mm_per_m == pytest.approx(known["ls_plane_slope_y_per_m"] * slope, abs=1e-9)
        assert got.form.flatness_ls_mm == pytest.approx(known["ls_flatness_vertical"] * HEIGHT, abs=1e-9)
        assert got.form.flatness_mz_mm == pytest.approx(known["mz_flatness_vertical"] * HEIGHT, abs=1e-9)
        assert got.form.rms_mm == pytest.approx(known["rms_residual"] * HEIGHT, abs=1e-9)


class TestPlate:
    def test_range_is_the_published_overall_flatness(self, assessed):
        """J. C. Moody 1955: all stations lie between planes 0.00018 in apart, parallel to the datum of the heights."""
        facts = tomllib.loads((REFERENCE / "moody_1955_surface_plate.toml").read_text())["published"]
        assert facts["overall_flatness_inch"] == 0.00018
        assert round(assessed["plate"].range_mm / INCH, 5) == facts["overall_flatness_inch"]

    def test_minimum_zone_is_that_of_the_whole_plate(self, assessed):
        known = facts("moody_1955_surface_plate")["minimum_zone_flatness_microinch_unrounded"]
        # Heights stand in the table to a thousandth of a microinch.
        assert assessed["plate"].form.flatness_mz_mm / INCH * 1e6 == pytest.approx(known, abs=2e-3)

    def test_least_squares_is_that_of_exact_fractions(self, assessed):
        slopes, width, rms = exact_least_squares(plate())
        got = assessed["plate"]
        assert (got.reading.rows, got.reading.columns) == (11, 3)
        # Microinches per inch are mm per m over a thousand.
        assert got.tilt.x_mm_per_m == pytest.approx(float(slopes[0]) / 1000, abs=1e-12)
        assert got.tilt.y_mm_per_m == pytest.approx(float(slopes[1]) / 1000, abs=1e-12)
        assert got.form.flatness_ls_mm / INCH * 1e6 == pytest.approx(float(width), abs=1e-6)
        assert got.form.rms_mm / INCH * 1e6 == pytest.approx(rms, abs=1e-6)
        assert got.range_mm / INCH * 1e6 == pytest.approx(np.ptp([z for _, _, z in plate()]), abs=1e-6)

    def test_the_order_of_the_index_holds(self, assessed):
        """Minimum zone <= least squares <= the published 0.00018 in from a datum plane, which holds for this plate."""
        form = assessed["plate"].form
        assert form.flatness_mz_mm <= form.flatness_ls_mm <= 0.00018 * INCH

    def test_the_whole_plate_is_no_grid_and_is_refused(self, tmp_path, assessed):
        lines = (REFERENCE / "moody_1955_surface_plate.csv").read_text().splitlines()
        rows = list(csv.DictReader(line for line in lines if line[:1] != "#"))
        stations = {(float(r["x_in"]), float(r["y_in"])): float(r["recomputed_height_um"]) for r in rows}
        answer = json.dumps([[x * INCH, y * INCH, z] for (x, y), z in stations.items()]).encode()
        with serving({"/all": answer}) as host:
            way = Mapping(
                name="all", path="/all", heights="$", layout="points", unit="um",
                point_x="$[0]", point_y="$[1]", point_z="$[2]",
            )  # fmt: skip
            settings = Settings(
                farm=Farm(name="Saltmarsh", timezone=ZoneInfo("UTC"), database=tmp_path / "a.duckdb", reports=tmp_path),
                models={},
                mappings={"all": way},
                machines=(Machine(name="all", model="hill", mapping="all", address=host.address),),
            )
            store = Store(settings.farm.database)
            (record,) = poll_once(settings, store, NOW).records
        assert record.outcome == "implausible"
        assert "of the points are missing" in record.reason
        assert store.reading_count() == 0


def exact_least_squares(points: list[tuple[float, float, float]]) -> tuple[list[Fraction], Fraction, float]:
    """Slopes along x and y, peak to valley of what is left, and its root mean square; all but the root exact."""
    exact = [tuple(Fraction(str(value)) for value in point) for point in points]
    means = [sum(column) / len(exact) for column in zip(*exact, strict=True)]
    x, y, z = ([point[i] - means[i] for point in exact] for i in range(3))

    def dot(a: list[Fraction], b: list[Fraction]) -> Fraction:
        return sum((p * q for p, q in zip(a, b, strict=True)), Fraction(0))

    whole = dot(x, x) * dot(y, y) - dot(x, y) ** 2
    bx = (dot(x, z) * dot(y, y) - dot(y, z) * dot(x, y)) / whole
    by = (dot(y, z) * dot(x, x) - dot(x, z) * dot(x, y)) / whole
    left = [c - bx * a - by * b for a, b, c in zip(x, y, z, strict=True)]
    return [bx, by], max(left) - min(left), float(dot(left, left) / len(left)) ** 0.5
