"""The farm now: what needs something first, search, and a page that is not made twice."""

from __future__ import annotations

from datetime import timedelta

import pytest

from tests.farm import NOW
from tests.pages.conftest import Pages


def test_those_that_need_something_stand_first_and_the_sound_ones_are_counted(ask):
    text = ask("/").text

    assert "2 machines need something" in text
    assert text.index("plover-01") < text.index("heron-01") < text.index("2 machines need nothing")
    assert "turn the screws" in text
    assert "proposed" in text
    assert "Mon 23 Nov 2026, 06:00" in text


def test_a_search_with_one_hit_goes_there_and_one_with_several_lists_them(ask):
    assert ask("/?q=HERON-02").headers["Location"] == "/machines/heron-02"
    assert ask("/?q=02").status_code == 200
    assert "2 machines with “heron”" in ask("/?q=heron").text
    assert "No machine’s name or aisle has that in it." in ask("/?q=gull").text


def test_an_aisle_and_an_order_live_in_the_address(ask):
    text = ask("/?aisle=plover&sort=name&show=all").text

    assert "All 2 machines" in text
    assert text.index("plover-01") < text.index("plover-02")
    assert "/machines/heron-01" not in text
    assert ask("/?sort=up&part=9999999999&show=no&q=").status_code == 200


def test_an_unchanged_farm_is_told_in_a_word(farm: Pages):
    browser = farm.client()
    first = browser.get("/")
    again = browser.get("/", headers={"If-None-Match": first.headers["ETag"]})

    assert first.headers["Cache-Control"] == "private, no-cache"
    assert (again.status_code, again.data) == (304, b"")
    farm.book.act(1, "approve", at=NOW, by="lead")
    assert browser.get("/", headers={"If-None-Match": first.headers["ETag"]}).status_code == 200


def test_an_old_judgement_is_said_loudly(farm: Pages):
    farm.now = NOW + timedelta(hours=3)

    text = farm.client().get("/").text

    assert 'class="stale"' in text
    assert "the farm was last judged 3 hours ago" in text


def test_before_anything_was_judged_the_machines_stand_there_by_name(farm: Pages):
    farm.fleet = None

    text = farm.client().get("/").text

    assert "4 machines, none judged yet" in text
    assert "/machines/plover-02" in text


def test_a_database_that_cannot_be_read_shows_what_was_read_last(farm: Pages):
    browser = farm.client()
    browser.get("/")
    farm.store.path.write_bytes(b"not a database at all" * 1000)

    answer = browser.get("/")

    assert answer.status_code == 200
    assert "Shown as it was at" in answer.text
    assert "heron-01" in answer.text


@pytest.mark.long
def test_what_is_amiss_in_the_service_stands_on_every_page(farm: Pages):
    farm.said = ["the database has no room"]

    assert "the database has no room" in farm.client().get("/machines/heron-02").text
