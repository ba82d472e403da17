"""One quantity, one number: the same digits on report, terminal, JSON, tickets and calendar."""

import html
import json
import re

import numpy as np
import pytest

from farmwatch.mesh import Mesh
from tests.cli.conftest import bed, reading

pytestmark = pytest.mark.long

FINE = np.linspace(10.0, 210.0, 25)


def fine(seed, tilt_mm, bow_mm=0.05):
    """A fine mesh of a noisy probe: its raw range, form and floor read high."""
    x, y = (FINE - 110)[None, :] / 200, (FINE - 110)[:, None] / 200
    noise = np.random.default_rng(seed).normal(0.0, 0.012, (25, 25))
    return Mesh.accept(FINE, FINE, np.round(tilt_mm * x + bow_mm * (x**2 + y**2) + noise, 4))


def words(page):
    page = re.sub(r"<(style|svg).*?</\1>", " ", page, flags=re.DOTALL)
    return re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]+>", " ", page)).replace("−", "-"))


@pytest.fixture
def noisy(farm, spoil):
    """The farm with plover-02 beside the others, which is probed finely by a noisy probe."""
    spoil('[[machines]]\nname = "plover-01"', '[[machines]]\nname = "plover-02"\nmodel = "tideframe-220"\n\n'
          '[[machines]]\nname = "plover-01"')  # fmt: skip
    return farm


@pytest.fixture
def surfaces(noisy, monkeypatch):
    """Everything that is said of heron-01 (a coarse mesh), and of plover-02 (a fine, noisy one), both tilted."""
    farm = noisy
    monkeypatch.setenv("COLUMNS", "300")
    farm.store.add_readings([reading("heron-01", 0.5, bed(0.43, 7))])
    farm.store.add_readings(
        [reading("plover-02", days, fine(int(10 * days), 0.45, 0.0)) for days in np.arange(0.9, 0.0, -0.1)]
    )
    farm("ticket", "propose")
    farm("report", "--week", _this_week())
    folder = farm.config.parent / "reports"
    [page] = folder.glob("farmwatch-*.html")
    return {
        "assess": {m["machine"]: m for m in json.loads(farm("assess", "--json")[1])["machines"]},
        "fleet json": {m["machine"]: m for m in json.loads(farm("fleet", "--json")[1])["machines"]},
        "fleet": farm("fleet")[1],
        "machine": {name: farm("machine", name)[1] for name in ("heron-01", "plover-02")},
        "ticket": {name: farm("ticket", "show", name)[1] for name in ("heron-01", "plover-02")},
        "ticket json": {
            name: json.loads(farm("ticket", "show", name, "--json")[1]) for name in ("heron-01", "plover-02")
        },
        "tickets json": {t["machine"]: t for t in json.loads(farm("ticket", "list", "--json")[1])["tickets"]},
        "list": farm("ticket", "list")[1],
        "report": words(page.read_text()),
        "report json": {m["machine"]: m for m in json.loads(page.with_suffix(".json").read_text())["machines"]},
        "report csv": page.with_suffix(".csv").read_text(),
    }  # fmt: skip


def _this_week():
    from tests.cli.conftest import NOW

    year, week, _ = NOW.isocalendar()
    return f"{year}-W{week:02d}"


def test_every_surface_prints_the_same_figures(surfaces):
    for name in ("heron-01", "plover-02"):
        _same_figures(surfaces, name)


def _same_figures(surfaces, name):
    one = surfaces["assess"][name]
    range_mm = one.get("judged_range_mm", one["range_mm"])
    assert ("judged_range_mm" in one) == (name == "plover-02")
    page, ticket, report = surfaces["machine"][name].replace("−", "-"), surfaces["ticket"][name], surfaces["report"]
    # The range that is judged.
    assert f"range {range_mm:.3f} mm" in page
    assert f"range {range_mm:.3f} mm" in ticket
    assert f"{range_mm:.3f} mm ± {one['range_sd_mm']:.3f}" in report
    assert re.search(rf"{name} +{range_mm:.3f} ", surfaces["fleet"])
    assert re.search(rf"{name} .* {range_mm:.2f} ", surfaces["list"])
    for rows in ("ticket json", "tickets json", "report json"):
        assert surfaces[rows][name]["range_mm"] == range_mm, rows
    fleet_row = surfaces["fleet json"][name]
    assert fleet_row.get("judged_range_mm", fleet_row["range_mm"]) == range_mm
    assert re.search(rf"{name},.*,{range_mm:.3f},", surfaces["report csv"])
    # Form, from the minimum zone, as number and in the sentence.
    form = one["form"]["flatness_mz_mm"]
    assert f"flatness deviation {form:.3f} mm (minimum zone)" in page
    assert f"Without the tilt, the bed is flat to {form:.2f} mm." in page
    assert f"flat to {form:.2f} mm" in report
    # Tooth floor, and what the plan leaves.
    after = one["plan"]["range_after_mm"]
    assert f"floor {one['tooth_floor_mm']:.3f} mm" in re.sub(" +", " ", page)
    assert one["tooth_floor_mm"] == after
    assert form <= after <= range_mm
    assert f"That leaves a range of {after:.3f} mm." in page
    assert f"After the move: about {after:.2f} mm" in page
    # Of all the work: after shims, where they are advised.
    left = one["plan"]["range_after_shims_mm"] if "shim" in one["advice"] else after
    assert f"the work should leave {left:.3f} mm" in ticket
    assert surfaces["ticket json"][name]["plan"]["range_after_mm"] == after
    assert surfaces["ticket json"][name]["predicted_mm"] == left
    assert f"{range_mm:.2f} → {left:.2f}" in report
    assert f"(expect {left:.2f}," in report
    # Heights at the screws.
    for screw in one["screws"]:
        if not screw["reference"]:
            said = screw["name"].replace("-", " ")
            height = f"{screw['height_mm']:+.3f}".replace("+0.000", "0.000")
            assert f"{said}: {height} mm (sd {screw['sd_mm']:.3f})" in page
            assert f"{said} {height} ± {screw['sd_mm']:.3f}" in report


def test_a_proof_is_measured_by_the_judged_range(noisy):
    """A bed whose raw range stands over the limit by its noise alone is proven."""
    farm = noisy
    farm.store.add_readings(
        [reading("plover-02", days, fine(int(10 * days), 0.45, 0.0)) for days in (0.9, 0.8, 0.7, 0.6)]
    )
    farm("ticket", "propose")
    for action in ("approve", "take", "done"):
        assert farm("ticket", action, "plover-02", "--by", "bench 2")[0] == 0
    after = [fine(100 + i, 0.17, 0.05) for i in range(2)]
    assert min(mesh.range_mm for mesh in after) > 0.2
    farm.store.add_readings(
        [reading("plover-02", -hours / 24, mesh) for hours, mesh in zip((2, 4), after, strict=True)]
    )
    from datetime import timedelta

    from farmwatch.assess import assess
    from farmwatch.config import load_settings
    from farmwatch.tickets import update_tickets
    from tests.cli.conftest import NOW

    settings = load_settings(farm.config)
    found = update_tickets(settings, farm.store, assess(settings, farm.store, NOW + timedelta(hours=5)))
    assert [ticket.machine for ticket in found.proven] == ["plover-02"]
    assert found.proven[0].closed_range_mm < 0.2
