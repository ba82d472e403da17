"""The contour sheet of a bed."""

import re
import xml.etree.ElementTree as ET
from dataclasses import replace
from types import ModuleType

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from farmwatch.mesh import Mesh
from farmwatch.model import Model, Screw
from farmwatch.report.contour import contour_interval, contour_sheet
from farmwatch.report.labels import Box, LabelPlacer

SVG = "{http://www.w3.org/2000/svg}"


def drawn(mesh: Mesh, model: Model, **more) -> ET.Element:
    text = contour_sheet(mesh, model, key="bed1", title="Contour sheet of the bed of heron-01", **more)
    return ET.fromstring(str(text).replace("<svg", '<svg xmlns="http://www.w3.org/2000/svg"', 1))


def words(sheet: ET.Element, cls: str | None = None) -> list[str]:
    return ["".join(t.itertext()) for t in sheet.iter(f"{SVG}text") if cls in (None, t.get("class"))]


def plane(slope: float) -> Mesh:
    x = y = np.linspace(10, 210, 5)
    return Mesh.accept(x, y, np.tile(slope * (x - 110), (5, 1)))


@pytest.mark.parametrize(
    ("range_mm", "interval"), [(0.793, 0.1), (0.2, 0.02), (0.05, 0.005), (2.8, 0.5), (1.0, 0.1), (0.0, 1.0)]
)
def test_lines_stand_at_round_heights(range_mm: float, interval: float):
    assert contour_interval(range_mm) == pytest.approx(interval)


@settings(max_examples=100, deadline=None)
@given(st.floats(1e-6, 20.0))
def test_there_are_never_more_than_ten_lines_and_seldom_fewer_than_four(range_mm: float):
    lines = range_mm / contour_interval(range_mm)
    assert 4.0 - 1e-6 <= lines <= 10.0 + 1e-6


def test_a_tilted_bed_has_straight_lines_where_its_heights_say(invented: ModuleType):
    """z = 0.004·(x − 110): the line of height 0.2 stands at x = 160, whatever y."""
    sheet = drawn(plane(0.004), invented.MODEL)
    frame = next(r for r in sheet.iter(f"{SVG}rect") if r.get("class") == "neat")
    ticks = {
        t.text: float(t.get("x", 0))
        for t in sheet.iter(f"{SVG}text")
        if t.get("class") == "tick" and t.get("text-anchor") == "middle"
    }
    per_mm = (ticks["200"] - ticks["100"]) / 100
    lines = [p for p in sheet.iter(f"{SVG}path") if p.get("class") in ("contour", "index")]
    places = sorted(float(re.match(r"M(-?[\d.]+)", p.get("d", ""))[1]) for p in lines)
    # Range 0.8: a line every 0.1 mm, so every 25 mm of x; the ends themselves are no lines.
    expected = [ticks["100"] + per_mm * (110 + 25 * k - 100) for k in range(-3, 4)]
    assert places == pytest.approx(expected, abs=0.11)
    assert float(frame.get("width")) == pytest.approx(float(frame.get("height")), abs=0.2)
    assert {"−0.3", "−0.2", "−0.1", "0.0", "0.1", "0.2", "0.3"} >= set(words(sheet, "height"))
    assert len(words(sheet, "height")) >= 5


def test_tints_grow_stronger_with_height(invented: ModuleType):
    sheet = drawn(plane(0.004), invented.MODEL)
    tints = [p for p in sheet.iter(f"{SVG}path") if p.get("class") == "tint"]
    left = [float(re.match(r"M(-?[\d.]+)", p.get("d", ""))[1]) for p in tints]
    strength = [float(p.get("fill-opacity", 0)) for p in tints]
    assert len(tints) == 8
    assert strength == sorted(strength)
    assert left == sorted(left)


def test_highest_and_lowest_are_marked_and_their_difference_is_the_range(invented: ModuleType):
    mesh = invented.bed((0.2, -0.4), seed=3)
    marks = " ".join(words(drawn(mesh, invented.MODEL), "point"))
    high = float(re.search(r"highest (−?[\d.]+)", marks)[1].replace("−", "-"))
    low = float(re.search(r"lowest (−?[\d.]+)", marks)[1].replace("−", "-"))
    assert high - low == pytest.approx(mesh.range_mm, abs=0.0011)


def test_screws_stand_where_they_are_and_the_reference_is_told_apart(invented: ModuleType):
    sheet = drawn(invented.bed(), invented.MODEL, turns={"front-left": "up 2 teeth"})
    assert set(words(sheet, "screw-name")) == {"front left: 2 teeth", "front right", "rear: reference"}
    assert set(words(sheet, "in-screw")) == {"1", "2"}
    assert [p.get("class") for p in sheet.iter(f"{SVG}path") if "arrow" in p.get("class", "")] == [
        "arrow halo",
        "arrow",
    ]
    rings = [(float(c.get("cx")), float(c.get("cy"))) for c in sheet.iter(f"{SVG}circle") if c.get("class") == "screw"]
    square = next(r for r in sheet.iter(f"{SVG}rect") if r.get("class") == "fixed")
    (left, right, rear) = rings
    assert left[1] == right[1] > rear[1], "the front is below"
    assert left[0] < rear[0] < right[0]
    assert (float(square.get("x")) + 3, float(square.get("y")) + 3) == pytest.approx(rear, abs=0.06)


def test_missing_points_and_spikes_are_shown(invented: ModuleType):
    mesh = invented.bed()
    z = mesh.z.copy()
    z[0, 0] = z[3, 4] = np.nan
    sheet = drawn(Mesh.accept(mesh.x, mesh.y, z), invented.MODEL, spikes=((110.0, 110.0),))
    missing = next(p for p in sheet.iter(f"{SVG}path") if p.get("class") == "missing")
    assert missing.get("d").count("M") == 3, "a false reading is left out: its cross stands in a ring"
    assert "false reading" in words(sheet, "point")
    assert len([c for c in sheet.iter(f"{SVG}circle") if c.get("class") == "spike"]) == 1


def test_it_is_told_in_words_for_who_does_not_see_it(invented: ModuleType):
    sheet = drawn(invented.bed((0.2, -0.4), seed=3), invented.MODEL)
    assert sheet.get("role") == "img"
    told = {element.get("id"): element.text for element in sheet if element.tag in (f"{SVG}title", f"{SVG}desc")}
    assert sheet.get("aria-labelledby", "").split() == list(told)
    assert "heron-01" in told["bed1-t"]
    assert "Contour lines every 0.1 mm" in told["bed1-d"]


def test_names_are_only_letters(invented: ModuleType):
    rude = tuple(replace(s, name=f'"><script>{i}</script>') for i, s in enumerate(invented.MODEL.screws))
    text = str(contour_sheet(invented.bed(), replace(invented.MODEL, screws=rude), key="k", title="<b>&"))
    assert "<script" not in text
    assert '<title id="k-t">&lt;b&gt;&amp;</title>' in text


@pytest.mark.parametrize(
    "z",
    [
        np.zeros((3, 3)),
        np.full((3, 3), -1.25),
        np.array([[0, 0, 0], [0, 0, 1e-9], [0, 0, 0]]),
        np.array([[np.nan, 0, 1], [0, 1, 2], [1, 2, np.nan]], dtype=float)[:, :3] * 0.1,
    ],
    ids=["level", "level and low", "level to a hair", "few points"],
)
def test_every_mesh_that_can_be_can_be_drawn(z: np.ndarray, invented: ModuleType):
    z = z.copy()
    if np.isnan(z).sum() > 1:
        z[2, 2] = 0.3
    sheet = drawn(Mesh.accept([0, 100, 200], [0, 100, 200], z), invented.MODEL)
    assert len(words(sheet, "point")) == 2


def test_a_fine_mesh_stays_small(invented: ModuleType):
    x = y = np.linspace(0, 220, 300)
    z = np.random.default_rng(1).normal(0, 0.1, (300, 300)).clip(-0.4, 0.4)
    assert len(str(contour_sheet(Mesh.accept(x, y, z), invented.MODEL, key="k", title="t"))) < 400_000


def test_two_screws_far_outside_the_mesh_are_in_the_picture(invented: ModuleType):
    model = Model(
        name="bench",
        screws=(Screw(name="left", x_mm=-60, y_mm=110), Screw(name="right", x_mm=300, y_mm=110, reference=True)),
    )
    sheet = drawn(invented.bed(), model)
    frame = next(r for r in sheet.iter(f"{SVG}rect") if r.get("class") == "neat")
    left, width = float(frame.get("x")), float(frame.get("width"))
    rings = [float(c.get("cx")) for c in sheet.iter(f"{SVG}circle") if c.get("class") == "screw"]
    assert left < min(rings) < max(rings) < left + width


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.floats(0, 300), st.floats(0, 300)), min_size=1, max_size=6))
def test_labels_stay_in_the_frame_and_off_what_is_free_to_avoid(places: list[tuple[float, float]]):
    inside = Box(0, 0, 300, 300)
    placer = LabelPlacer(inside, letter=11)
    for x, y in places:
        left, baseline = placer.beside(x, y, "highest 0.412")
        assert 0 <= left <= 300 - 13 * 11 * 0.56
        assert 8 <= baseline <= 300
    assert not placer.take_turned(2, 2, "0.1", 0), "a label that would stick out is not placed"


def test_a_taken_place_is_not_taken_again():
    placer = LabelPlacer(Box(0, 0, 300, 300), letter=11)
    assert placer.take_turned(150, 150, "0.10", 30)
    assert not placer.take_turned(152, 150, "0.20", 30)
    assert placer.take_turned(250, 250, "0.20", -80)


def test_the_tints_of_all_sheets_are_one_ladder(invented: ModuleType):
    """A bed a tenth higher at the same screw has the tint of the next step, however far the rest of it reaches."""

    def strengths(up: float) -> set[str]:
        drawn = str(contour_sheet(invented.bed((up, up), 0.0), invented.MODEL, key="c", title="t"))
        return set(re.findall(r'<path class="tint"[^>]*fill-opacity="([0-9.]+)"', drawn))

    low, high = strengths(0.25), strengths(0.45)
    assert low < high, "the same steps from the reference screw on, and more of them"
    assert len(strengths(3.0)) <= 10


def test_what_the_noise_would_draw_is_left_out(invented: ModuleType):
    flat = invented.bed((0.0, 0.0), 0.0)
    drawn = str(contour_sheet(flat, invented.MODEL, key="c", title="t", sd_mm=0.02))
    assert "flat within noise" in drawn
    assert 'class="contour"' not in drawn
    tilted = str(contour_sheet(invented.bed((0.3, 0.0)), invented.MODEL, key="c", title="t", sd_mm=0.012))
    assert "lines every 0.05 mm" in tilted
