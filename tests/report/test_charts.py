"""The small drawings say what their numbers say."""

import re
import xml.etree.ElementTree as ET
from dataclasses import replace
from datetime import timedelta
from types import ModuleType
from zoneinfo import ZoneInfo

import pytest

from farmwatch.follow import Forecast, Step
from farmwatch.judge.assessment import Trace
from farmwatch.report.cells import machine_cell
from farmwatch.report.excursions import excursions
from farmwatch.report.history import RangeHistory, excursion_words, history_line
from farmwatch.report.scale import MmScale
from farmwatch.report.tracks import due_bars

SVG = "{http://www.w3.org/2000/svg}"
DUBLIN = ZoneInfo("Europe/Dublin")
SCALE = MmScale(low=0.02, high=2.0)


def parsed(markup) -> ET.Element:
    return ET.fromstring(str(markup).replace("<svg", '<svg xmlns="http://www.w3.org/2000/svg"', 1))


def of(svg: ET.Element, cls: str) -> list[ET.Element]:
    return [element for element in svg.iter() if element.get("class") == cls]


def points(element: ET.Element) -> list[tuple[float, float]]:
    return [(float(x), float(y)) for x, y in re.findall(r"(-?[\d.]+) (-?[\d.]+)", element.get("d", ""))]


@pytest.fixture
def history(invented: ModuleType) -> RangeHistory:
    at = invented.WEEK_END
    steps = (
        invented.jump(at, 20),
        Step(at=at - timedelta(days=15), name="repair", screw=None, mm=0.4, teeth=None),
        Step(at=at - timedelta(days=9), name="plate-change", screw=None, mm=0.1, teeth=None),
        Step(at=at - timedelta(days=5), name="shift", screw="rear", mm=0.1, teeth=None),
        Step(at=at - timedelta(days=400), name="shift", screw="rear", mm=0.1, teeth=None),
    )
    return RangeHistory(machine="heron-01", at=at, trace=invented.trace(0.15, at), steps=steps)


def test_every_kind_of_step_has_its_own_shape(history: RangeHistory, invented: ModuleType):
    svg = parsed(history_line(history, invented.LIMITS, DUBLIN, scale=SCALE, key="h"))
    shapes = [e.tag.removeprefix(SVG) for e in svg.iter() if (e.get("class") or "").startswith("sign")]
    assert shapes == ["path", "rect", "circle", "path"], "the step before the chart's start is left out"
    assert of(svg, "sign")[0].get("d", "").count("L") == 3, "a diamond"


def test_the_fan_begins_as_wide_as_today_is_uncertain_and_ends_where_the_limit_is_met(history, invented: ModuleType):
    forecast = Forecast(chance=0.95, p10=10, p25=15, p50=20, p75=30, p90=40)
    history = replace(history, forecast=forecast, sd_mm=0.01)
    svg = parsed(history_line(history, invented.LIMITS, DUBLIN, scale=SCALE, key="h"))
    (wide,), (narrow,), (middle,) = of(svg, "band80"), of(svg, "band50"), of(svg, "middle")
    level = points(of(svg, "limit")[0])[0][1]
    now = points(of(svg, "now")[0])[0][0]
    dot = of(svg, "dot")[0]
    start = (float(dot.get("cx", 0)), float(dot.get("cy", 0)))
    for band, sd, early, late in ((wide, 1.2816, 10, 40), (narrow, 0.6745, 15, 30)):
        places = points(band)
        at_start = [y for x, y in places if abs(x - start[0]) < 0.2]
        foot, head = 112.0, 13.0
        expected = [
            foot - (foot - head) * SCALE.share(history.trace.range_mm[-1] + sign * sd * 0.01) for sign in (1, -1)
        ]
        assert sorted(at_start) == pytest.approx(sorted(expected), abs=0.2)
        at_limit = [x - now for x, y in places if abs(y - level) < 0.2]
        assert max(at_limit) / min(at_limit) == pytest.approx(late / early, abs=0.1)
    assert points(middle)[0] == pytest.approx(start, abs=0.2)
    assert points(middle)[-1][1] == level


def test_a_fan_without_a_late_end_stays_open_to_the_horizon(history: RangeHistory, invented: ModuleType):
    forecast = Forecast(chance=0.2, p10=91, p50=None, p90=None)
    svg = parsed(history_line(replace(history, forecast=forecast), invented.LIMITS, DUBLIN, scale=SCALE, key="h"))
    places = points(of(svg, "band80")[0])
    now = points(of(svg, "now")[0])[0][0]
    level = points(of(svg, "limit")[0])[0][1]
    early = min(x for x, y in places if abs(y - level) < 0.2)
    assert max(x for x, _ in places) - now == pytest.approx(2 * (early - now), abs=0.5)
    assert of(svg, "middle") == of(svg, "band50") == []


def test_a_mesh_that_stands_alone_is_hollow_and_named(history: RangeHistory, invented: ModuleType):
    values = list(history.trace.range_mm)
    values[40] += 0.3
    history = replace(history, trace=replace(history.trace, range_mm=tuple(values)), steps=())
    svg = parsed(history_line(history, invented.LIMITS, DUBLIN, scale=SCALE, key="h"))
    assert len(of(svg, "aside")) == 1
    assert excursion_words(history, DUBLIN).startswith("Hollow: 1 mesh apart from the rest, ")
    judged = list(zip(history.trace.at, values, strict=True))
    assert excursions(judged, 0.008) == [judged[40]]
    step = [(float(i), 0.05 if i < 20 else 0.5) for i in range(40)]
    assert excursions(step, 0.008) == [], "what stays is a step, not an excursion"


def test_a_stamp_has_today_s_mark_and_an_arrow_uphill(invented: ModuleType):
    machine = invented.machine("heron-01", invented.bed((0.5, 0.0)))
    history = RangeHistory(machine="heron-01", at=invented.WEEK_END, trace=machine.trace)
    svg = parsed(machine_cell(machine, history, invented.LIMITS, SCALE, key="c"))
    (arrow,) = of(svg, "arrow")
    tail, tip = points(arrow)
    assert tip[0] < tail[0], "front left is high: the arrow points to the left"
    assert tip[1] > tail[1], "and to the front, which is below"
    dots = points(of(svg, "dots")[0])
    assert 40 < len(dots) <= 100
    assert dots[-1][1] == pytest.approx(41 - 38 * SCALE.share(machine.range_mm), abs=1.5)
    level = invented.machine("heron-02", invented.bed(seed=3))
    assert of(parsed(machine_cell(level, None, invented.LIMITS, SCALE, key="c")), "arrow") == []
    empty = replace(machine, tilt=None, range_mm=None, condition="unknown")
    assert "no range known" in parsed(machine_cell(empty, None, invented.LIMITS, SCALE, key="c"))[0].text


def test_meshes_that_were_not_judged_are_open_dots_off_the_line(history: RangeHistory, invented: ModuleType):
    judged = list(history.trace.judged)
    judged[-3:] = [False] * 3
    history = replace(history, trace=replace(history.trace, judged=tuple(judged)))
    svg = parsed(history_line(history, invented.LIMITS, DUBLIN, scale=SCALE, key="h"))
    assert len(of(svg, "aside")) == 3


def test_long_histories_are_thinned_and_keep_their_peaks(invented: ModuleType):
    at = invented.WEEK_END.timestamp()
    values = [0.1] * 5000
    values[2500] = 1.7
    trace = Trace(at=tuple(at - 3000 * (5000 - i) for i in range(5000)), range_mm=tuple(values), judged=(True,) * 5000)
    history = RangeHistory(machine="heron-01", at=invented.WEEK_END, trace=trace)
    svg = history_line(history, invented.LIMITS, DUBLIN, scale=SCALE, key="h")
    assert len(str(svg)) < 6500
    heights = [y for _, y in points(of(parsed(svg), "dots")[0])]
    assert max(heights) - min(heights) < 1, "the one mesh that stands alone is hollow"
    assert len(of(parsed(svg), "aside")) == 1


@pytest.mark.parametrize("count", [0, 1, 2])
def test_short_histories_draw(invented: ModuleType, count: int):
    at = invented.WEEK_END.timestamp()
    trace = Trace(at=tuple(at - 86400.0 * i for i in range(count)), range_mm=(0.1,) * count, judged=(True,) * count)
    history = RangeHistory(
        machine="heron-01", at=invented.WEEK_END, trace=trace, forecast=Forecast(chance=0.5, p10=3, p50=9, p90=None)
    )
    parsed(history_line(history, invented.LIMITS, DUBLIN, scale=SCALE, key="h"))
    parsed(machine_cell(invented.machine("heron-01"), history, invented.LIMITS, SCALE, key="s"))


def test_bars_are_as_high_as_their_numbers():
    svg = parsed(due_bars([("W48", 0.5), ("W49", 2.0), ("W50", 0.0)], key="d"))
    heights = [float(bar.get("height", 0)) for bar in of(svg, "bar50")]
    assert heights[1] == pytest.approx(4 * heights[0], abs=0.2)
    assert "2.5" in svg[0].text


def test_no_line_is_drawn_over_a_gap_or_a_step(invented: ModuleType):
    at = invented.WEEK_END.timestamp()
    days = [100.0, 99.0, 98.0, 60.0, 59.0, 58.0, 20.0, 19.0, 18.0, 17.0]
    trace = Trace(at=tuple(at - 86400 * d for d in days), range_mm=(0.1,) * 10, judged=(True,) * 10)
    step = Step(at=invented.WEEK_END - timedelta(days=18.5), name="shift", screw=None, mm=0.1, teeth=None)
    history = RangeHistory(machine="heron-01", at=invented.WEEK_END, trace=trace, steps=(step,))
    svg = parsed(history_line(history, invented.LIMITS, DUBLIN, scale=SCALE, key="h"))
    assert [len(points(line)) for line in of(svg, "along")] == [3, 3, 2, 2]
