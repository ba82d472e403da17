"""The farm on one scale: every machine a mark, labels that meet nothing, the quarter in counts that add up."""

import re
import xml.etree.ElementTree as ET
from dataclasses import replace
from datetime import timedelta
from types import ModuleType
from zoneinfo import ZoneInfo

import pytest

from farmwatch.follow import Forecast
from farmwatch.model import Limits
from farmwatch.report.quarter import count_weeks
from farmwatch.report.scale import MmScale
from farmwatch.report.strips import Mark, quarter_columns, range_strip
from farmwatch.report.tracks import due_track, range_track
from farmwatch.report.view import WeeklyView

SVG = "{http://www.w3.org/2000/svg}"
LIMITS = Limits()
DUBLIN = ZoneInfo("Europe/Dublin")


def parsed(markup) -> ET.Element:
    return ET.fromstring(str(markup).replace("<svg", '<svg xmlns="http://www.w3.org/2000/svg"', 1))


def mark(i: int, range_mm: float, before: float | None = None, **facts) -> Mark:
    condition = "past-limit" if range_mm > 0.2 else "usable" if range_mm > 0.1 else "ideal"
    fields = {"machine": f"heron-{i:02d}", "condition": condition, "range_mm": range_mm, "before_mm": before,
              "crossed": False, "sure": True}  # fmt: skip
    return Mark(**{**fields, **facts})


def of(svg: ET.Element, *classes: str) -> list[ET.Element]:
    return [element for element in svg.iter() if element.get("class") in classes]


@pytest.mark.parametrize("wide", [700.0, 330.0])
def test_every_machine_has_its_mark(view: WeeklyView, wide: float):
    svg = parsed(range_strip(view.marks, view.limits, view.scale, key="s", wide=wide))
    halves = sum(m.condition == "usable" and m.sure for m in view.marks)
    assert len(of(svg, "past", "ring", "unsure")) - halves == len(view.marks)
    words = [text.text for text in svg.iter(f"{SVG}text")]
    assert "8 past the limit" in words
    assert {"ideal 0.1", "usable 0.2"} <= set(words)


def test_the_worst_five_and_what_crossed_a_limit_are_named():
    marks = [mark(i, 0.3 + 0.1 * i) for i in range(8)] + [mark(9, 0.05, 0.6, crossed=True), mark(10, 0.05)]
    svg = parsed(range_strip(marks, LIMITS, MmScale.holding([1.0], LIMITS), key="s"))
    assert sorted(text.text.split(" ")[0] for text in of(svg, "name")) == [
        "heron-03", "heron-04", "heron-05", "heron-06", "heron-07", "heron-09"
    ]  # fmt: skip
    (line,) = of(svg, "hairline")
    (was,) = of(svg, "was")
    assert was is not None
    start, end = (float(x) for x in re.findall(r"[ML]([\d.]+) ", line.get("d", "")))
    assert start > end, "from where it stood last week, to the left where it is better"


def test_what_is_not_sure_is_hollow():
    marks = [mark(1, 0.5), mark(2, 0.6, sure=False), mark(3, 0.05, sure=False)]
    svg = parsed(range_strip(marks, LIMITS, MmScale.holding([1.0], LIMITS), key="s"))
    assert (len(of(svg, "past")), len(of(svg, "unsure"))) == (1, 2)


def test_above_sixty_machines_the_sound_ones_are_counted():
    marks = [mark(i, 0.02 + 0.001 * i) for i in range(70)] + [mark(99, 0.9)]
    svg = parsed(range_strip(marks, LIMITS, MmScale.holding([1.0], LIMITS), key="s"))
    counted = [int(t.text) for t in of(svg, "tick") if t.get("text-anchor") == "middle" and t.text.isdigit()]
    assert sum(n for n in counted if n > 2) == pytest.approx(70, abs=4)
    assert len(of(svg, "ring")) == 0
    assert len(ET.tostring(svg)) < 6000


@pytest.mark.parametrize("ranges", [[], [0.0], [19.0], [0.05] * 5000, [0.5] * 3000])
@pytest.mark.parametrize("wide", [700.0, 330.0])
def test_the_strip_holds_any_fleet(ranges, wide: float):
    marks = [mark(i, r) for i, r in enumerate(ranges)]
    svg = parsed(range_strip(marks, LIMITS, MmScale.holding(ranges, LIMITS), key="s", wide=wide))
    assert float(svg.get("height")) < 260


def test_the_scale_is_one_for_all_and_holds_both_limits():
    scale = MmScale.holding([0.004, 7.0], Limits(usable_mm=0.3, ideal_mm=0.1))
    assert 0 < scale.share(0.1) < scale.share(0.3) < 1
    assert scale.share(7.0) < 1
    assert scale.share(1e-6) == 0.0
    assert MmScale.holding([], LIMITS) == MmScale(low=0.02, high=2.0)


def test_the_quarter_adds_up_to_the_machines_in_service(with_tickets: WeeklyView):
    working = sum(number for name, number in with_tickets.counts if name != "out")
    assert [sum(week.conditions.values()) for week in with_tickets.quarter] == [working] * 13
    last = with_tickets.quarter[-1]
    assert {name: last.conditions.get(name, 0) for name, _ in with_tickets.counts if name != "out"} == {
        name: number for name, number in with_tickets.counts if name != "out"
    }
    assert [week.name for week in with_tickets.quarter] == [f"W{number}" for number in range(35, 48)]
    assert sum(week.jumps for week in with_tickets.quarter) == 4, "heron-01, and three of plover-03"
    assert sum(week.repairs for week in with_tickets.quarter) == 4, "work that tickets say is done"


def test_earlier_weeks_are_counted_by_the_last_judged_mesh(invented: ModuleType):
    machine = invented.machine("heron-01", invented.bed((0.5, 0.0)))
    at = invented.WEEK_END
    days = (60.0, 20.0, 3.0)
    trace = replace(
        machine.trace,
        at=tuple(at.timestamp() - 86400 * d for d in days), range_mm=(0.05, 0.15, machine.range_mm), judged=(True,) * 3,
    )  # fmt: skip
    fleet = replace(invented.invented_fleet(), machines=(replace(machine, trace=trace),))
    weeks = count_weeks(fleet, (), DUBLIN)
    kinds = [next(iter(week.conditions)) for week in weeks]
    assert kinds == ["unknown"] * 4 + ["ideal"] * 6 + ["usable"] * 2 + ["past-limit"]
    unjudged = replace(trace, judged=(True, False, True))
    weeks = count_weeks(replace(fleet, machines=(replace(machine, trace=unjudged),)), (), DUBLIN)
    assert next(iter(weeks[-2].conditions)) == "ideal"


def test_a_column_is_as_high_as_its_counts(with_tickets: WeeklyView):
    svg = parsed(quarter_columns(with_tickets.quarter, key="q"))
    past = [float(rect.get("height")) for rect in of(svg, "q-past-limit")]
    counts = [w.conditions["past-limit"] for w in with_tickets.quarter if w.conditions.get("past-limit")]
    assert len(past) == len(counts)
    for high, number in zip(past, counts, strict=True):
        assert high / past[-1] == pytest.approx(number / counts[-1], abs=0.02)
    assert timedelta(weeks=13) == len(with_tickets.quarter) * timedelta(weeks=1)


def test_a_track_leads_from_last_week_to_this_week_on_the_edition_s_scale():
    scale = MmScale.holding([1.0], LIMITS)
    svg = parsed(range_track(1.0, 0.05, "ideal", LIMITS, scale, key="t"))
    assert len(of(svg, "limit", "limit ideal")) == 2
    (line,) = of(svg, "hairline")
    start, end = (float(x) for x in re.findall(r"[ML]([\d.]+) ", line.get("d", "")))
    assert start - end == pytest.approx(240 * (scale.share(1.0) - scale.share(0.05)) - 9, abs=0.2)
    for before, now in ((None, 0.1), (0.1, None), (None, None)):
        parsed(range_track(before, now, "ideal", LIMITS, scale, key="t"))


def test_a_forecast_s_bars_hold_its_median_and_end_at_the_horizon(invented: ModuleType):
    for quantiles in ((6.0, 8.0, 11.0, 16.0, 21.0), (40.0, 60.0, 80.0, None, None)):
        names = ("p10", "p25", "p50", "p75", "p90")
        forecast = Forecast(chance=0.9, **dict(zip(names, quantiles, strict=True)))
        svg = parsed(due_track(forecast, invented.WEEK_END, 28, DUBLIN, key="d"))
        (thin,), (thick,), (tick,) = of(svg, "bar"), of(svg, "bar50"), of(svg, "past")
        for bar, early, late in ((thin, quantiles[0], quantiles[4]), (thick, quantiles[1], quantiles[3])):
            left, wide = float(bar.get("x")), float(bar.get("width"))
            assert left == pytest.approx(4 + 332 * early / 182, abs=0.1)
            assert left + wide == pytest.approx(4 + 332 * (late or 182) / 182, abs=0.2)
            assert left < float(tick.get("x")) + 1.2 < left + wide
        assert float(thick.get("height")) > float(thin.get("height"))
