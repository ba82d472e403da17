"""What stands on a work sheet beside its words: profile, code, numbered steps; and on which printed sheet it stands."""

import re
import xml.etree.ElementTree as ET
from dataclasses import replace
from types import ModuleType

import numpy as np
import pytest

from farmwatch.follow import ForecastScore
from farmwatch.mesh import Mesh
from farmwatch.report.beds import without
from farmwatch.report.codes import square_code
from farmwatch.report.moves import sheet_steps
from farmwatch.report.page import link_later, render
from farmwatch.report.printed import plan_pages
from farmwatch.report.profile import bed_profile, heights_along, steepest_line
from farmwatch.report.tracks import repair_stair
from farmwatch.report.upcoming import hindsight_sentences
from farmwatch.report.view import FarmFacts, WeeklyView, weekly_view
from farmwatch.tickets import Durability

SVG = "{http://www.w3.org/2000/svg}"


def parsed(markup) -> ET.Element:
    return ET.fromstring(str(markup).replace("<svg", '<svg xmlns="http://www.w3.org/2000/svg"', 1))


def plane(ax: float, ay: float, side: int = 5) -> Mesh:
    x = y = np.linspace(10.0, 210.0, side)
    xx, yy = np.meshgrid(x, y)
    return Mesh.accept(x, y, ax * xx + ay * yy)


def test_the_profile_runs_up_the_plane_from_edge_to_edge():
    mesh = plane(0.002, 0.001)
    low, high = steepest_line(mesh)
    assert (high[0], low[0]) == pytest.approx((210.0, 10.0)), "the steeper way reaches the edge"
    assert (high[1] - low[1]) / (high[0] - low[0]) == pytest.approx(0.5), "up the gradient"
    cut = heights_along(mesh, (low, high))
    assert cut[0] == pytest.approx(0.002 * low[0] + 0.001 * low[1])
    assert np.diff(cut) == pytest.approx(np.full(40, (cut[-1] - cut[0]) / 40))
    level = plane(0.0, 0.0)
    assert steepest_line(level)[0] != steepest_line(level)[1]


def test_a_false_reading_is_a_gap_in_the_profile():
    mesh = without(plane(0.002, 0.0), [(110.0, 110.0)])
    assert np.isnan(mesh.z[2, 2])
    assert np.isnan(heights_along(mesh, steepest_line(mesh))).sum() > 5
    cuts = [
        p for p in parsed(bed_profile(mesh, None, key="p", title="t")).iter(f"{SVG}path") if p.get("class") == "cut"
    ]
    assert len(cuts) == 2


def test_the_code_is_the_one_that_a_standard_s_library_makes():
    segno = pytest.importorskip("segno")
    address = "https://beds.saltmarsh.example:8443/machines/heron-01"
    assert square_code("", key="q") == ""
    drawn = parsed(square_code(address, key="q"))
    size = int(drawn.get("width", 0))
    modules = np.zeros((size, size), dtype=bool)
    runs = re.findall(r"M(\d+) (\d+)h(\d+)v1", next(p.get("d", "") for p in drawn.iter(f"{SVG}path")))
    for x, y, wide in runs:
        modules[int(y), int(x) : int(x) + int(wide)] = True
    wanted = np.array([list(row) for row in segno.make(address, error="m", micro=False).matrix], dtype=bool)
    assert np.array_equal(modules[4:-4, 4:-4], wanted)
    assert not modules[:4].any()
    assert not modules[:, -4:].any()


def test_a_sheet_names_its_machine_s_page(invented: ModuleType, farm: FarmFacts):
    fleet = replace(invented.invented_fleet(), machines=(invented.machine("heron 01/β", invented.bed((0.5, 0.0))),))
    view = weekly_view(fleet, fleet, replace(farm, pages_url="https://beds.saltmarsh.example/"))
    assert view.sheets[0].address == "https://beds.saltmarsh.example/machines/heron%2001/%CE%B2"
    assert 'class="code-ink"' in render(view)
    assert 'class="code-ink"' not in render(weekly_view(fleet, fleet, farm))


def test_a_first_tooth_is_never_turned_twice(invented: ModuleType):
    """Over one tooth unlearned: one tooth, a probing, then what remains; the teeth add up to the plan."""
    machine = invented.machine("heron-01", invented.bed((0.9, -0.5)))
    words = [step.words for step in sheet_steps(replace(machine, advice=("realign",)))]
    turned: dict[str, int] = {}
    for line in words:
        found = re.search(r"screw \d, ([A-Z ]+), (?:the remaining )?(\d) t", line)
        if found:
            turned[found[1]] = turned.get(found[1], 0) + int(found[2])
    wanted = {name.replace("-", " ").upper(): abs(n) for name, n in machine.plan.teeth.items() if n}
    assert turned == wanted
    assert words[1] == "Probe hot."
    learned = replace(machine, advice=("realign",), step_learned=True)
    assert "Probe hot." not in [step.words for step in sheet_steps(learned)]
    nothing = replace(machine, advice=("realign",), plan=None)
    assert len(sheet_steps(nothing)) == 2


def test_every_machine_has_a_printed_page(invented: ModuleType):
    machines = invented.large_fleet(130).machines
    slips, sheets = ["heron-0000", "heron-0001", "heron-0002"], ["plover-0010", "plover-0011"]
    plan = plan_pages(machines, slips, sheets)
    assert set(plan.of_machine) == {m.machine for m in machines}
    assert [plan.of_machine[name] for name in slips] == [6, 6, 7]
    assert [plan.of_machine[name] for name in sheets] == [8, 9]
    assert [page.page for page in plan.fleet] == list(range(10, 10 + len(plan.fleet)))
    assert all(sum(len(names) for *_, names in page.aisles) <= 60 for page in plan.fleet)
    assert plan_pages((), (), ()).of_machine == {}


def test_an_edition_names_the_one_after_it(with_tickets: WeeklyView):
    page = render(with_tickets, "2026-W46")
    assert '<a href="farmwatch-2026-W46.html">← 2026-W46</a>' in page
    assert "newest week" in page
    later = link_later(page, "2026-W48")
    assert "newest week" not in later
    assert '<a href="farmwatch-2026-W48.html">2026-W48 →</a>' in later
    assert link_later(later, "2026-W49") == later


def score(**facts) -> ForecastScore:
    fields = {"kept": 40, "intervals": 0, "held": 0, "chances": 0, "passed": 0, "brier": None, "climatology": None,
              "tenths": ()}  # fmt: skip
    return ForecastScore(**{**fields, **facts})


def test_how_often_we_were_right_is_said_with_its_error(invented: ModuleType, farm: FarmFacts):
    assert hindsight_sentences(score()) == ("None of 40 forecasts kept so far has run out: too early to say.",)
    said = hindsight_sentences(score(intervals=20, held=17, brier=0.12, climatology=0.2))
    assert said[0] == "Of 20 forecasts whose interval has run out, 17 held: 85 ± 8 % (80 % expected)."
    assert "better than always saying" in said[1]
    fleet = invented.invented_fleet()
    assert "17 held" in render(weekly_view(fleet, fleet, farm, hindsight=score(intervals=20, held=17)))
    assert "How often we were right" not in render(weekly_view(fleet, fleet, farm, hindsight=score(kept=0)))


def test_the_stair_goes_down_where_repairs_end():
    stair = ((20.0, 0.9, 0.5, 0.98), (60.0, 0.7, 0.3, 0.9))
    one = Durability(model="tideframe-220", method="realign", repairs=9, ended=2, median_days=None,
                     still_holding_after_90_days=None, stair=stair, longest_days=100.0)  # fmt: skip
    svg = parsed(repair_stair(one, key="s"))
    line = next(p.get("d", "") for p in svg.iter(f"{SVG}path") if p.get("class") == "stair")
    places = [(float(x), float(y)) for x, y in re.findall(r"([\d.]+) ([\d.]+)", line)]
    heights = list(dict.fromkeys(y for _, y in places))
    assert heights == pytest.approx([8.0, 90 - 82 * 0.9, 90 - 82 * 0.7], abs=0.1)
    assert places[1][0] == pytest.approx(34 + 316 * 0.2, abs=0.1)
