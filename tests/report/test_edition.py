"""What lies beside the page: the same numbers as JSON and CSV, and the index of all weeks."""

import csv
import io
import json
import re
from dataclasses import replace
from types import ModuleType

from farmwatch.report.edition import machines_by_week, report_csv, report_document
from farmwatch.report.page import render_index
from farmwatch.report.view import FarmFacts, WeeklyView, weekly_view


def test_the_document_says_what_the_page_says(with_tickets: WeeklyView):
    document = json.loads(json.dumps(report_document(with_tickets), allow_nan=False))
    assert (document["schema"], document["week"]) == ("farmwatch.report/1", "2026-W47")
    assert document["at"] == "2026-11-23T00:00:00Z"
    assert document["counts"] == {"past-limit": 8, "usable": 3, "ideal": 17, "unknown": 1, "out": 1}
    assert document["needing_work"] == 6
    assert document["awaiting_check"] == ["plover-04"]
    assert [one["machine"] for one in document["decisions"]] == [one.machine for one in with_tickets.decisions]
    assert len(document["quarter"]) == 13
    past = [m for m in document["machines"] if m["in_service"] and m["condition"] == "past-limit"]
    assert len(past) == document["counts"]["past-limit"] == document["quarter"][-1]["past-limit"]


def test_tickets_opened_and_closed_are_those_of_the_week(with_tickets: WeeklyView):
    # Opened: heron-01 three days and plover-03 one and a half before its end. Closed: what was accepted, held, found
    # nothing or withdrawn within seven days.
    assert report_document(with_tickets)["tickets"] == {"opened": 2, "closed": 5}


def test_the_table_has_a_line_a_machine_and_no_formula(with_tickets: WeeklyView, invented: ModuleType, farm: FarmFacts):
    rows = list(csv.DictReader(io.StringIO(report_csv(with_tickets))))
    assert len(rows) == 30
    (jumped,) = [row for row in rows if row["machine"] == "heron-01"]
    assert float(jumped["range_mm"]) > 0.7 > 0.2 > float(jumped["range_before_mm"])
    fleet = replace(invented.invented_fleet(), machines=(invented.machine("=1+1", invented.bed()),))
    assert "\r\n'=1+1," in report_csv(weekly_view(fleet, fleet, farm))


def test_the_index_has_a_row_a_week_the_newest_first(with_tickets: WeeklyView):
    this = report_document(with_tickets)
    before = {**this, "week": "2026-W46", "needing_work": 4}
    page = render_index("Saltmarsh Tidegate Works", [before, this])
    assert re.findall(r'href="(farmwatch-[^"]*)"', page) == [
        "farmwatch-2026-W47.html", "farmwatch-2026-W47.json", "farmwatch-2026-W47.csv",
        "farmwatch-2026-W46.html", "farmwatch-2026-W46.json", "farmwatch-2026-W46.csv",
    ]  # fmt: skip
    assert "plover-03 2.03" in re.sub(r"</?span[^>]*>", "", page)
    assert page == render_index("Saltmarsh Tidegate Works", [this, before])


def test_the_year_shows_each_machine_in_service_week_by_week(with_tickets: WeeklyView):
    this = report_document(with_tickets)
    drawn = str(machines_by_week([{**this, "week": f"2026-W{i:02d}"} for i in range(1, 5)]))
    squares = re.findall(r"M[\d.]+ [\d.]+h9", drawn)
    assert len(squares) == 4 * 29
    many = {**this, "machines": [{**m, "machine": f"{m['machine']}-{i}"} for i in range(10) for m in this["machines"]]}
    assert len(re.findall(r"M[\d.]+ [\d.]+h9", str(machines_by_week([many])))) == 200
    assert len(re.findall(r"M[\d.]+ [\d.]+h9", str(machines_by_week([this] * 60)))) == 52 * 29
