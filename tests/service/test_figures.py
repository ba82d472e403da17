"""The figures against the published grammar of OpenMetrics."""

import json
import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from farmwatch.outcomes import OUTCOMES
from farmwatch.service.published import CONTENT_TYPE, figures_text, health_document
from farmwatch.service.status import Facts, MachineFigures, Problem
from farmwatch.store import StoreState
from tests.hostile import MACHINE, TEXTS, steers
from tests.service.openmetrics import read

NOW = datetime(2026, 11, 23, 6, 0, tzinfo=UTC)
FULL = Facts(
    started_at=NOW - timedelta(days=3),
    polls=dict.fromkeys(OUTCOMES, 7),
    late=2,
    round_ended_at=NOW,
    failing=1,
    store=StoreState(kind="full", words="no room", pending=12, lost=3),
    newest_reading_at=NOW - timedelta(minutes=90),
    conditions={"ideal": 20, "usable": 4, "past-limit": 3, "unknown": 0},
    assessed_at=NOW - timedelta(hours=2),
    report="/srv/reports/farmwatch-2026-W47.html",
    reported_at=NOW,
    next_report_at=NOW + timedelta(days=7),
    backed_up_at=NOW,
    letters=1,
    problems=(Problem(what="database", words="no room", since=NOW),),
)


def test_the_figures_follow_the_specification() -> None:
    found = read(figures_text(FULL, NOW).decode())
    polls = found["farmwatch_polls"]
    assert polls.kind == "counter"
    assert {labels[0][1]: value for (_, labels), value in polls.samples.items()} == dict.fromkeys(OUTCOMES, 7)
    values = {
        name: value for family in found.values() for (name, labels), value in family.samples.items() if not labels
    }
    assert values["farmwatch_late_polls_total"] == 2
    assert values["farmwatch_pending_readings"] == 12
    assert values["farmwatch_lost_readings"] == 3
    assert values["farmwatch_newest_reading_age_seconds"] == 5400
    assert values["farmwatch_last_report_time_seconds"] == NOW.timestamp()
    states = found["farmwatch_database"].samples
    assert [dict(labels)["farmwatch_database"] for (_, labels), value in states.items() if value] == ["full"]
    assert found["farmwatch_machines"].samples[("farmwatch_machines", (("condition", "past-limit"),))] == 3
    assert found["farmwatch_release"].kind == "info"
    assert all(family.help for family in found.values())


def test_each_machine_has_its_range_its_age_and_its_condition() -> None:
    taken = (NOW - timedelta(hours=2)).timestamp()
    machines = (
        MachineFigures(name="heron-01", condition="past-limit", range_mm=0.61, taken_at=taken),
        MachineFigures(name="<b>x", condition="unknown", range_mm=None, taken_at=None),
    )
    found = read(figures_text(replace(FULL, machines=machines), NOW).decode())
    one = ("machine", "heron-01")
    assert found["farmwatch_bed_range_meters"].samples == {("farmwatch_bed_range_meters", (one,)): 0.00061}
    assert found["farmwatch_bed_mesh_age_seconds"].samples == {("farmwatch_bed_mesh_age_seconds", (one,)): 7200}
    states = found["farmwatch_bed_condition"].samples
    assert [dict(labels) for (_, labels), value in states.items() if value] == [
        {"machine": name, "farmwatch_bed_condition": condition}
        for name, condition in (("heron-01", "past-limit"), ("<b>x", "unknown"))
    ]


@pytest.mark.parametrize("text", [MACHINE, *TEXTS.values()], ids=["name", *TEXTS])
def test_hostile_text_stays_text_in_figures_and_health(text: str) -> None:
    # A name is printable, by the configuration; a problem may tell what a host said.
    name = "".join(letter for letter in text if letter.isprintable())
    machines = (MachineFigures(name=name, condition="unknown", range_mm=0.5, taken_at=NOW.timestamp()),)
    problem = Problem(what="polls", words=text.encode("utf-8", "replace").decode(), since=NOW)
    facts = replace(FULL, machines=machines, problems=(problem,))
    found = read(figures_text(facts, NOW).decode())
    [((_, labels), _)] = found["farmwatch_bed_range_meters"].samples.items()
    assert [(key, re.sub(r"\\(.)", r"\1", value)) for key, value in labels] == [("machine", name)]
    status, kind, body = health_document(facts, NOW)
    assert (status, kind) == (503, "application/problem+json")
    assert json.loads(body)["reasons"][0]["words"] == problem.words
    assert not steers(body.decode())


def test_what_is_not_known_yet_is_left_out() -> None:
    found = read(figures_text(Facts(started_at=NOW), NOW).decode())
    assert "farmwatch_newest_reading_age_seconds" not in found
    assert "farmwatch_machines" not in found
    assert "farmwatch_polls" in found


def test_the_content_type_is_the_standards() -> None:
    assert CONTENT_TYPE == "application/openmetrics-text; version=1.0.0; charset=utf-8"


@pytest.mark.parametrize(
    "text",
    [
        "x 1\n",
        "# TYPE x gauge\nx 1\n",
        "# TYPE x counter\nx 1\n# EOF\n",
        "# TYPE x gauge\nx 1\nx 1\n# EOF\n",
        "# TYPE x gauge\n# UNIT x seconds\nx 1\n# EOF\n",
        '# TYPE x gauge\nx{a="1",a="2"} 1\n# EOF\n',
        '# TYPE x gauge\nx{a="\\x"} 1\n# EOF\n',
        "# TYPE x gauge\n\nx 1\n# EOF\n",
        "# TYPE x stateset\nx 1\n# EOF\n",
        "# TYPE x gauge\nx 1 \n# EOF\n",
    ],
)
def test_the_reader_refuses_what_is_wrong(text: str) -> None:
    with pytest.raises((AssertionError, KeyError)):
        read(text)


def test_a_fraction_is_written_so_that_it_reads_back() -> None:
    facts = replace(FULL, newest_reading_at=NOW - timedelta(seconds=1.25))
    found = read(figures_text(facts, NOW).decode())["farmwatch_newest_reading_age_seconds"]
    assert list(found.samples.values()) == [1.25]
