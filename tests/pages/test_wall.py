"""The wall: the plan, today's work with owners, the last day, and how old it is."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import timedelta

from farmwatch.pages import wall
from tests.farm import NOW
from tests.pages.conftest import Pages


def cells(text: str) -> dict[str, bool]:
    """By aisle and short name, whether it stands in need."""
    found = {}
    for aisle, row in re.findall(r'<div class="wall-aisle"><h2>(.*?)</h2>(.*?)</div>', text, re.DOTALL):
        for kind, name in re.findall(r'<li( class="need")?><span class="wall-name">.*?</svg> (\S+?)</span>', row):
            found[f"{aisle}-{name}"] = bool(kind)
    return found


def lines(text: str, heading: str) -> str:
    (section,) = re.findall(rf'<section aria-labelledby="{heading}">(.*?)</section>', text, re.DOTALL)
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", section))


def test_every_machine_stands_on_the_plan_and_who_needs_something_is_framed(ask):
    text = ask("/wall").text
    assert cells(text) == {"heron-01": True, "heron-02": False, "plover-01": True, "plover-02": False}
    assert "judged 06:00" in text


def test_todays_work_names_its_owner_and_the_last_day_what_was_done(farm: Pages):
    number = farm.ticket("heron-01").number
    assert "No work is due today" in lines(farm.client().get("/wall").text, "today")
    at = NOW + timedelta(minutes=1)
    farm.book.act(number, "approve", at=at, by="lead")
    farm.book.act(number, "take", at=at, by="bench two")
    farm.now, farm.fleet = at, replace(farm.fleet, at=at)
    text = farm.client().get("/wall").text
    assert "heron-01 turn the screws bench two" in lines(text, "today")
    assert re.search(r"06:01 heron-01: taken, bench two", lines(text, "since"))
    assert "plover-01" not in lines(text, "today")


def test_what_is_old_is_loud(farm: Pages):
    farm.now = NOW + timedelta(hours=2)
    assert "<b>not of now: 2 hours ago</b>" in farm.client().get("/wall").text


def test_a_large_farm_draws_who_needs_something_and_counts_the_others(ask, monkeypatch):
    monkeypatch.setattr(wall, "CELLS", 3)
    text = ask("/wall").text
    assert cells(text) == {"heron-01": True, "plover-01": True}
    assert text.count('<li class="well"><span class="wall-name">1</span><span class="wall-range">more</span></li>') == 2
