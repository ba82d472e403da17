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
from farmwatch.report.charts import RangeHistory, due_bars, history_line, spark_line

SVG = "{http://www.w3.org/2000/svg}"
DUBLIN = ZoneInfo("Europe/Dublin")


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
    svg = parsed(history_line(history, invented.LIMITS, DUBLIN, key="h"))
    shapes = [e.tag.removeprefix(SVG) for e in svg.iter() if (e.get("class") or "").startswith("sign")]
    assert shapes == ["path", "rect", "circle", "path"], "the step before the chart's start is left out"
    assert of(svg, "sign")[0].get("d", "").count("L") == 3, "a diamond"


def test_the_fan_reaches_from_the_last_reading_to_the_limit(history: RangeHistory, invented: ModuleType):
    forecast = Forecast(chance=0.95, p10=10, p50=20, p90=40)
    svg = parsed(history_line(replace(history, forecast=forecast), invented.LIMITS, DUBLIN, key="h"))
    (fan,), (middle,) = of(svg, "fan"), of(svg, "middle")
    apex, early, late = points(fan)
    level = points(of(svg, "limit")[0])[0][1]
    now = points(of(svg, "now")[0])[0][0]
    assert early[1] == late[1] == level
    assert apex == points(of(svg, "line")[-1])[-1]
    assert (late[0] - now) == pytest.approx(4 * (early[0] - now), abs=0.5)
    assert points(middle)[1][0] - now == pytest.approx(2 * (early[0] - now), abs=0.3)


def test_a_row_s_line_has_the_fan_where_the_limit_is_likely_met(history: RangeHistory, invented: ModuleType):
    likely = replace(history, forecast=Forecast(chance=0.95, p10=10, p50=20, p90=40))
    svg = parsed(spark_line(likely, invented.LIMITS, key="s"))
    (fan,) = of(svg, "fan")
    apex, early, late = points(fan)
    assert early[1] == late[1] == points(of(svg, "limit")[0])[0][1]
    assert apex == points(of(svg, "line")[0])[-1]
    now = points(of(svg, "now")[0])[0][0]
    assert apex[0] < now < early[0] < late[0] <= 117
    for forecast in (None, Forecast(chance=0.3, p10=60, p50=None, p90=None)):
        unlikely = parsed(spark_line(replace(history, forecast=forecast), invented.LIMITS, key="s"))
        assert of(unlikely, "fan") == of(unlikely, "now") == []


def test_a_fan_without_a_late_end_stays_open_to_the_horizon(history: RangeHistory, invented: ModuleType):
    forecast = Forecast(chance=0.2, p10=91, p50=None, p90=None)
    svg = parsed(history_line(replace(history, forecast=forecast), invented.LIMITS, DUBLIN, key="h"))
    _, early, late = points(of(svg, "fan")[0])
    now = points(of(svg, "now")[0])[0][0]
    assert late[0] - now == pytest.approx(2 * (early[0] - now), abs=0.3)
    assert of(svg, "middle") == []


def test_meshes_that_were_not_judged_are_open_dots_off_the_line(history: RangeHistory, invented: ModuleType):
    judged = list(history.trace.judged)
    judged[-3:] = [False] * 3
    svg = parsed(
        history_line(
            replace(history, trace=replace(history.trace, judged=tuple(judged))), invented.LIMITS, DUBLIN, key="h"
        )
    )
    assert len(of(svg, "aside")) == 3


def test_long_histories_are_thinned_and_keep_their_peaks(invented: ModuleType):
    at = invented.WEEK_END.timestamp()
    values = [0.1] * 5000
    values[2500] = 1.7
    trace = Trace(at=tuple(at - 3000 * (5000 - i) for i in range(5000)), range_mm=tuple(values), judged=(True,) * 5000)
    history = RangeHistory(machine="heron-01", at=invented.WEEK_END, trace=trace)
    for svg in (history_line(history, invented.LIMITS, DUBLIN, key="h"), spark_line(history, invented.LIMITS, key="s")):
        assert len(str(svg)) < 6000
        line = points(of(parsed(svg), "line")[0])
        assert min(y for _, y in line) < min(y for _, y in line[:3]) - 10


@pytest.mark.parametrize("count", [0, 1, 2])
def test_short_histories_draw(invented: ModuleType, count: int):
    at = invented.WEEK_END.timestamp()
    trace = Trace(at=tuple(at - 86400.0 * i for i in range(count)), range_mm=(0.1,) * count, judged=(True,) * count)
    history = RangeHistory(
        machine="heron-01", at=invented.WEEK_END, trace=trace, forecast=Forecast(chance=0.5, p10=3, p50=9, p90=None)
    )
    parsed(history_line(history, invented.LIMITS, DUBLIN, key="h"))
    parsed(spark_line(history, invented.LIMITS, key="s"))


def test_bars_are_as_high_as_their_numbers():
    svg = parsed(due_bars([("W48", 0.5), ("W49", 2.0), ("W50", 0.0)], key="d"))
    heights = [float(bar.get("height", 0)) for bar in of(svg, "bar")]
    assert heights[1] == pytest.approx(4 * heights[0], abs=0.2)
    assert "2.5" in svg[0].text


def test_no_line_is_drawn_over_a_gap_or_a_step(invented: ModuleType):
    at = invented.WEEK_END.timestamp()
    days = [100.0, 99.0, 98.0, 60.0, 59.0, 58.0, 20.0, 19.0, 18.0, 17.0]
    trace = Trace(at=tuple(at - 86400 * d for d in days), range_mm=(0.1,) * 10, judged=(True,) * 10)
    step = Step(at=invented.WEEK_END - timedelta(days=18.5), name="shift", screw=None, mm=0.1, teeth=None)
    history = RangeHistory(machine="heron-01", at=invented.WEEK_END, trace=trace, steps=(step,))
    svg = parsed(history_line(history, invented.LIMITS, DUBLIN, key="h"))
    assert [len(points(line)) for line in of(svg, "line")] == [3, 3, 2, 2]
