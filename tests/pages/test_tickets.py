"""Tickets in the browser: from the proposal to the check, one press each, and what happens when two press at once."""

from __future__ import annotations

import threading
from datetime import timedelta

import pytest

from farmwatch.store import StoreError
from tests.farm import NOW
from tests.pages.conftest import Pages, press, sign_in, token


def test_the_list_tells_what_each_waits_for(farm: Pages):
    text = farm.client().get("/tickets").text

    assert "To approve: 2" in text
    assert text.index("heron-01") < text.index("For a calendar")


@pytest.mark.long
def test_from_the_proposal_to_the_check_with_who_and_why(farm: Pages):
    browser = farm.client()

    answer = press(browser, "/tickets/1", "/tickets/1/approve", by="lead", owner="bench 2", why="")
    assert (answer.status_code, answer.headers["Location"]) == (303, "/tickets/1")
    assert "approved for bench 2." in browser.get("/tickets/1").text
    farm.now = NOW + timedelta(minutes=1)
    press(browser, "/tickets/1", "/tickets/1/take", by="bench 2")
    farm.now = NOW + timedelta(minutes=30)
    press(browser, "/tickets/1", "/tickets/1/done", by="bench 2", method="realign")

    one = farm.book.ticket(1)
    assert (one.phase, one.method, one.work_until) == ("proving", "realign", farm.now)
    assert [(event.action, event.by) for event in farm.book.events(1)] == [
        ("propose", "farmwatch"), ("approve", "lead"), ("assign", "lead"), ("take", "bench 2"), ("done", "bench 2"),
    ]  # fmt: skip
    text = browser.get("/tickets/1").text
    assert 'class="order-word order-do-not-turn"' in text
    assert "1 tooth (" not in text
    assert farm.changes == 3


@pytest.mark.long
def test_every_change_stands_in_the_record_with_who_from_where_and_what(works: Pages, caplog):
    caplog.set_level("INFO")
    browser = works.client()
    sign_in(browser, "lead")

    press(browser, "/tickets/1", "/tickets/1/approve", by="somebody else")
    press(browser, "/tickets/1", "/tickets/1/withdraw", why="scrapped")

    second, first = works.store.page_changes()
    assert (first.who, first.role, first.from_where, first.what, first.about) == (
        "lead", "manager", "127.0.0.1", "approve", "ticket 1",
    )  # fmt: skip
    assert first.outcome == "Ticket 1, heron-01: approved."
    assert second.what == "withdraw"
    assert works.book.events(1)[-1].by == "lead"
    assert [record.fields["by"] for record in caplog.records if record.message == "page-change"] == ["lead", "lead"]


def test_a_second_press_of_the_same_form_is_told_what_came_of_the_first(farm: Pages):
    browser = farm.client()
    text = browser.get("/machines/plover-02").text
    form = {"csrf_token": token(text), "once": "k" * 20, "by": "bench", "why": "it creaks"}

    for _ in range(2):
        assert browser.post("/machines/plover-02/tickets", data=form).status_code == 303

    assert len(farm.book.tickets(["plover-02"])) == 1
    assert "is not done twice" in browser.get("/machines/plover-02").text


def test_of_two_who_press_at_once_one_is_told_what_the_other_did(farm: Pages):
    one, other = farm.client(), farm.client()
    forms = []
    for browser, name in ((one, "first"), (other, "second")):
        text = browser.get("/tickets/1").text
        forms.append({"csrf_token": token(text), "once": name * 4, "by": name, "revision": "1"})
    answers: list[int] = []
    threads = [
        threading.Thread(target=lambda b=b, f=f: answers.append(b.post("/tickets/1/approve", data=f).status_code))
        for b, f in zip((one, other), forms, strict=True)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()

    assert sorted(answers) == [303, 409]
    assert [event.action for event in farm.book.events(1)] == ["propose", "approve"]
    loser = next(f for f in forms if f["by"] != farm.book.events(1)[-1].by)
    text = (
        (one if loser["by"] == "first" else other).post("/tickets/1/approve", data={**loser, "once": "again" * 4}).text
    )
    assert f"Somebody was quicker: {farm.book.events(1)[-1].by} had ticket 1 approved at" in text


@pytest.mark.long
def test_a_page_older_than_the_numbers_is_told_so_and_nothing_is_done(farm: Pages):
    browser = farm.client()
    text = browser.get("/tickets/1").text
    farm.book.act(1, "refresh", at=NOW, by="farmwatch")

    form = {"csrf_token": token(text), "once": "k" * 20, "by": "lead", "revision": "1", "why": "looks right"}
    answer = browser.post("/tickets/1/approve", data=form)

    assert answer.status_code == 409
    assert "its numbers were renewed since this page was opened" in answer.text
    assert "looks right" in answer.text
    assert farm.book.ticket(1).phase == "proposed"


@pytest.mark.long
def test_several_at_once_each_stands_for_itself(farm: Pages):
    browser = farm.client()
    text = browser.get("/tickets").text
    farm.book.act(2, "withdraw", at=NOW, by="lead")

    form = {"csrf_token": token(text), "once": "k" * 20, "by": "lead", "action": "approve", "number": ["1", "2"],
            "revision-1": "1", "revision-2": "1", "owner": "bench"}  # fmt: skip
    assert browser.post("/tickets/together", data=form).status_code == 303

    text = browser.get("/tickets").text
    assert "Approved: 1." in text
    assert "Not done with ticket 2: Somebody was quicker" in text
    assert farm.book.ticket(1).phase == "approved"


def test_a_technician_approves_nothing_by_way_of_several(works: Pages):
    browser = works.client()
    sign_in(browser, "bench")
    form = {"csrf_token": token(browser.get("/you").text), "once": "k" * 20, "action": "approve", "number": "1"}

    assert browser.post("/tickets/together", data=form).status_code == 409
    assert works.book.ticket(1).phase == "proposed"


@pytest.mark.long
def test_a_database_that_is_held_is_told_and_what_was_typed_is_kept(farm: Pages, monkeypatch):
    browser = farm.client()
    text = browser.get("/tickets/1").text

    def held(*_args):
        raise StoreError("the database is held by another process")

    monkeypatch.setattr(farm.store, "begin_change", held)
    form = {"csrf_token": token(text), "once": "k" * 20, "by": "lead", "revision": "1", "why": "before the spring tide"}
    answer = browser.post("/tickets/1/approve", data=form)

    assert answer.status_code == 503
    assert "held by another process" in answer.text
    assert 'value="before the spring tide"' in answer.text
    monkeypatch.undo()
    again = press_again(browser, answer.text)
    assert again.status_code == 303
    assert farm.book.events(1)[-1].why == "before the spring tide"


def press_again(browser, text: str):
    import re

    values = dict(re.findall(r'name="([^"]+)" value="([^"]*)"', text))
    return browser.post("/tickets/1/approve", data=values)


@pytest.mark.long
@pytest.mark.parametrize(
    ("fields", "says"),
    [
        ({"why": ""}, "The reason is empty"),
        ({"why": "x" * 301}, "at most 300 printable characters"),
        ({"why": "a\x00b"}, "printable"),
        ({"why": "so be it", "limit": "0.1"}, "accepted would be what it is not"),
        ({"why": "so be it", "limit": "nan"}, "wanted mm"),
        ({"why": "so be it", "until": "2020-01-01"}, "a day to come"),
        ({"why": "so be it", "until": "soon"}, "wanted a day"),
        ({"why": "so be it", "by": ""}, "Your name is empty"),
        ({"why": "so be it", "once": "short"}, "open its page anew"),
    ],
)
def test_what_cannot_be_is_told_and_nothing_is_done(farm: Pages, fields, says):
    answer = press(farm.client(), "/tickets/1", "/tickets/1/accept", **fields)

    assert answer.status_code == 409
    assert says in answer.text
    assert farm.book.ticket(1).phase == "proposed"


@pytest.mark.long
def test_the_other_steps(farm: Pages):
    browser = farm.client()
    for address, fields, phase in (
        ("accept", {"why": "as it is", "limit": "0,9", "until": "2027-03-01"}, "accepted"),
        ("withdraw", {"why": "no more"}, "withdrawn"),
        ("reopen", {"why": "too early"}, "proposed"),
        ("approve", {}, "approved"),
        ("assign", {"owner": "bench 3"}, "approved"),
        ("undo", {}, "approved"),
        ("take", {}, "in-work"),
        ("put-back", {"why": "no time"}, "approved"),
        ("take", {}, "in-work"),
        ("nothing-found", {"why": "a loose cable"}, "nothing-found"),
    ):
        farm.now += timedelta(minutes=1)
        assert press(browser, "/tickets/1", f"/tickets/1/{address}", **fields).status_code == 303, address
        assert farm.book.ticket(1).phase == phase, address


@pytest.mark.long
def test_the_work_sheet_has_moves_after_cautions_and_none_while_it_waits(farm: Pages):
    text = farm.client().get("/tickets/1/sheet").text

    assert text.index("Bed and nozzle cold.") < text.index("FRONT RIGHT, 1 tooth")
    for action in ("approve", "take", "done"):
        press(farm.client(), "/tickets/1", f"/tickets/1/{action}")
    assert "Work done: do not turn; probe hot." in farm.client().get("/tickets/1/sheet").text


def test_the_calendar_lists_the_due_work(ask):
    answer = ask("/tickets/due-work.ics")

    assert answer.headers["Content-Type"] == "text/calendar; charset=utf-8"
    assert answer.text.count("BEGIN:VTODO") == 2


@pytest.mark.parametrize("path", ["/tickets/99", "/tickets/99999999999999999999", "/tickets/-1", "/tickets/1/burn"])
def test_one_that_is_not_there_is_not_here(ask, path: str):
    assert ask(path).status_code == 404
