"""Counts add up on the rendered page: machines, marks, jobs, hours, last week's machines, tickets."""

import json
import re
from html import unescape

import pytest

from farmwatch.report.edition import report_document
from farmwatch.report.page import render
from farmwatch.report.view import WeeklyView


def printed(page: str) -> str:
    """The words of a page, without its drawings; a table's cells each on a line."""
    page = re.sub(r"<(style|svg|script).*?</\1>", " ", page, flags=re.DOTALL)
    page = re.sub(r"</(p|div|h\d|li|tr|section|td|th|dt|dd)>", "\n", page)
    lines = (" ".join(unescape(line).split()) for line in re.sub(r"<[^>]+>", " ", page).split("\n"))
    return "\n".join(line for line in lines if line)


def numbers(text: str) -> list[int]:
    return [int(found) for found in re.findall(r"\b\d+\b", text)]


def taken(pattern: str, text: str) -> str:
    found = re.search(pattern, text, re.DOTALL)
    assert found is not None, pattern
    return found[1]


@pytest.fixture(scope="module")
def page(with_tickets: WeeklyView) -> str:
    return str(render(with_tickets))


@pytest.fixture(scope="module")
def text(page: str) -> str:
    return printed(page)


@pytest.fixture(scope="module")
def document(with_tickets: WeeklyView):
    return json.loads(json.dumps(report_document(with_tickets)))


def test_machines_past_the_limit_are_what_they_are_said_to_consist_of(text: str, page: str, document) -> None:
    needing, in_service = (
        int(taken(pattern, text)) for pattern in (r"(\d+) of \d+ machines need", r"\d+ of (\d+) mach")
    )
    past = sum(numbers(taken(r"Past the limit: ([^.]*)\.", text)))
    assert int(taken(r"(\d+) needs? work", taken(r"Past the limit: ([^.]*)\.", text))) == needing
    assert past == int(taken(r"<title id=\"strip-t\">[^<]*?(\d+) past the usable limit", page))
    assert past == document["counts"]["past-limit"]
    assert sum(document["counts"][name] for name in ("past-limit", "usable", "ideal", "unknown")) == in_service
    assert in_service + document["counts"]["out"] == len(document["machines"])


def test_every_machine_with_a_range_is_a_mark(page: str, document) -> None:
    strip = taken(r"(<svg class=\"strip\".*?</svg>)", page)
    shown = [m for m in document["machines"] if m["in_service"] and m["range_mm"] and m["condition"] != "unknown"]
    assert int(taken(r"Range of (\d+) machines", strip)) == len(shown)
    # A full mark, an open one, or a dashed one where it is not sure; the lower half of a usable one is filled besides.
    halves = re.findall(r'class="past" d="M[^"]*a[^"]*z"', strip)
    assert len(re.findall(r'class="(?:past|ring|unsure)"', strip)) - len(halves) == len(shown)


def test_jobs_and_hours_add_up_as_they_are_printed(text: str, document) -> None:
    labour = taken(r"\nLabour\n(.*?)\nin all\n", text)
    jobs = [int(found) for found in re.findall(r"(?m)^(\d+) ×$", labour)]
    hours = [float(found) for found in re.findall(r"(?m)^([\d.]+) h$", labour)]
    in_all = float(taken(r"\nin all\n([\d.]+) h", text))
    assert len(jobs) == len(hours) == len(document["labour"]["jobs"])
    assert sum(hours) == in_all == document["labour"]["hours"]
    assert float(taken(r"open work takes about ([\d.]+) h", text)) == in_all
    assert sum(one["hours"] for one in document["labour"]["jobs"]) == in_all
    needing = int(taken(r"(\d+) of \d+ machines need", text))
    again = re.search(r"Probe again hot\s([^\n]*)", text)
    to_probe = 0 if again is None else len(re.findall(r"[a-z]+-\d\d", again[1]))
    assert sum(jobs) + to_probe == needing


def test_each_machine_that_needs_work_is_asked_about_or_told_once(text: str, document) -> None:
    decide = taken(r"\nDecide\nMachine\n(.*?)\nRead the cautions", text)
    asked = re.findall(r"(?m)^([a-z]+-\d\d)$", decide)
    told = re.findall(r"[a-z]+-\d\d", " ".join(re.findall(r"(?:With the bench|Probe again hot)\s([^\n]*)", text)))
    assert len(set(asked)) == len(asked) == len(document["decisions"])
    assert not set(asked) & set(told)
    past = {m["machine"] for m in document["machines"] if m["condition"] == "past-limit" and m["in_service"]}
    accepted = set(re.findall(r"[a-z]+-\d\d", taken(r"\nAccepted\s([^\n]*)", text)))
    assert past <= set(asked) | set(told) | accepted


def test_last_weeks_machines_are_all_accounted_for(text: str) -> None:
    of, *rest = numbers(taken(r"Of last week's (\d+ machines: [^\n]*)\.", text))
    assert of == sum(rest)


def test_the_tickets_that_are_open_are_counted(text: str, invented) -> None:
    tickets, _ = invented.invented_book()
    assert int(taken(r"(\d+) tickets are open", text)) == sum(ticket.is_open for ticket in tickets)
