"""Signing in, staying in, being put out; and the ways round it that must not work."""

from __future__ import annotations

from datetime import timedelta

import pytest

from farmwatch.config.settings import Person
from tests.farm import NOW
from tests.pages.conftest import PASSWORD, Pages, press, sign_in, token


def test_the_right_password_leads_on_to_where_one_was_going(works: Pages):
    browser = works.client()
    where = browser.get("/tickets?aisle=heron").headers["Location"]

    assert where == "/sign-in?next=/tickets?aisle%3Dheron"
    answer = sign_in(browser, "bench", next="/tickets?aisle=heron")
    assert (answer.status_code, answer.headers["Location"]) == (303, "/tickets?aisle=heron")
    cookie = answer.headers["Set-Cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=Lax" in cookie
    assert "bench" in browser.get("/").text


@pytest.mark.long
@pytest.mark.parametrize(("name", "password"), [("bench", "wrong"), ("nobody", PASSWORD), ("board", ""), ("", "")])
def test_what_is_not_right_is_refused_in_the_same_words(works: Pages, name: str, password: str, caplog):
    answer = sign_in(works.client(), name, password)

    assert answer.status_code == 401
    assert "It was not right, or nobody of that name may sign in." in answer.text
    assert PASSWORD not in caplog.text
    assert "sign-in-refused" in caplog.text


@pytest.mark.long
@pytest.mark.parametrize(
    "target",
    ["https://evil.example/", "//evil.example", "/\\evil.example", "javascript:alert(1)", "/x\nSet-Cookie: a=b", "evil",
     "///evil.example", "\t//evil.example", ""],
)  # fmt: skip
def test_nobody_is_led_away_after_signing_in(works: Pages, target: str):
    assert sign_in(works.client(), "bench", next=target).headers["Location"] == "/"


def test_a_session_fixed_beforehand_is_worth_nothing(works: Pages):
    browser = works.client()
    browser.get("/sign-in")
    before = browser.get_cookie("farmwatch").value
    sign_in(browser, "bench")
    after = browser.get_cookie("farmwatch").value
    thief = works.client()
    thief.set_cookie("farmwatch", before)

    assert before != after
    assert thief.get("/").status_code == 303


def test_signing_out_ends_the_session_for_whoever_copied_it(works: Pages):
    browser, thief = works.client(), works.client()
    sign_in(browser, "bench")
    thief.set_cookie("farmwatch", browser.get_cookie("farmwatch").value)
    assert thief.get("/").status_code == 200

    answer = press(browser, "/you", "/sign-out")

    assert answer.headers["Clear-Site-Data"] == '"cache"'
    assert browser.get("/").status_code == 303
    assert thief.get("/").status_code == 303


@pytest.mark.long
def test_signing_out_everywhere_ends_ones_other_browsers_and_nobody_elses(works: Pages):
    one, other, lead = works.client(), works.client(), works.client()
    for browser, name in ((one, "bench"), (other, "bench"), (lead, "lead")):
        sign_in(browser, name)

    press(one, "/you", "/sign-out", everywhere="yes")

    assert [browser.get("/").status_code for browser in (one, other, lead)] == [303, 303, 200]


def test_it_ends_after_twelve_hours_and_when_the_clock_was_wrong(works: Pages):
    browser = works.client()
    sign_in(browser, "bench")

    for later, status in ((11.9, 200), (12.1, 303), (-1, 303)):
        works.now = NOW + timedelta(hours=later)
        assert browser.get("/").status_code == status


@pytest.mark.long
def test_it_ends_with_the_role_the_password_and_the_person(works: Pages, people: dict[str, Person]):
    browser = works.client()
    sign_in(browser, "bench")
    before = works.settings

    for changed in (
        {**people, "bench": people["bench"].model_copy(update={"role": "manager"})},
        {name: person for name, person in people.items() if name != "bench"},
    ):
        works.settings = before.model_copy(update={"people": changed})
        assert browser.get("/").status_code == 303
    works.settings = before
    assert browser.get("/").status_code == 200
    (works.store.path.parent / "password").write_text("scrypt:16:1:1$other$00\n")
    assert browser.get("/").status_code == 303


def test_a_restart_signs_nobody_out(works: Pages):
    browser = works.client()
    sign_in(browser, "bench")

    works.restart()
    again = works.client()
    again.set_cookie("farmwatch", browser.get_cookie("farmwatch").value)

    assert again.get("/").status_code == 200
    file = works.store.path.with_name("farmwatch.duckdb.pages")
    assert file.stat().st_mode & 0o077 == 0
    assert PASSWORD not in file.read_text()


@pytest.mark.long
def test_tries_are_limited_by_name_and_address_and_keep_nobody_else_out(works: Pages):
    browser = works.client()
    for _ in range(6):
        assert sign_in(browser, "lead", "wrong").status_code == 401

    assert sign_in(browser, "lead").status_code == 429
    assert sign_in(browser, "bench").status_code == 303
    elsewhere = works.client()
    elsewhere.environ_base["REMOTE_ADDR"] = "10.20.0.9"
    assert sign_in(elsewhere, "lead").status_code == 303


def test_signing_in_needs_the_token_of_its_form(works: Pages):
    browser = works.client()
    browser.get("/sign-in")

    assert browser.post("/sign-in", data={"name": "bench", "password": PASSWORD}).status_code == 403
    other = token(works.client().get("/sign-in").text)
    data = {"name": "bench", "password": PASSWORD, "csrf_token": other}
    assert browser.post("/sign-in", data=data).status_code == 403


@pytest.mark.long
def test_what_is_private_is_kept_by_nobody_between(works: Pages):
    browser = works.client()
    sign_in(browser, "bench")

    for path in ("/", "/machines/heron-01", "/tickets", "/you"):
        kept = browser.get(path).headers["Cache-Control"]
        assert kept in ("no-store", "private, no-cache"), path
    tag = browser.get("/").headers["ETag"]
    assert works.client().get("/", headers={"If-None-Match": tag}).status_code == 303


def test_a_cookie_goes_over_tls_alone_where_there_is_tls(make, people):
    from farmwatch.config.settings import ServiceSection

    service = ServiceSection.model_validate({"listen": "0.0.0.0:8790", "behind_proxy": True})
    browser = make(people=people, service=service).client()
    cookie = browser.get("/sign-in", base_url="https://localhost").headers["Set-Cookie"]

    assert cookie.startswith("__Host-farmwatch=")
    assert "Secure" in cookie


def test_an_unknown_name_costs_as_much_as_a_known_one(works: Pages, monkeypatch):
    """By what is computed, not by the clock: one hash each, of the same cost for nobody as a real one's."""
    from farmwatch.pages import sign_in as module

    checked: list[str] = []
    monkeypatch.setattr(module, "check_password_hash", lambda known, _: bool(checked.append(known)))
    for name in ("lead", "nobody", "board"):
        sign_in(works.client(), name, "wrong")

    assert len(checked) == 3
    assert all(known.startswith("scrypt:32768:8:1$") for known in checked[1:])


@pytest.mark.parametrize("origin", ["https://evil.example", "null", "http://localhost.evil.example", "http://[", ""])
def test_a_press_that_comes_from_another_page_is_refused(works: Pages, origin: str):
    browser = works.client()
    sign_in(browser, "lead")
    form = {"csrf_token": token(browser.get("/you").text), "once": "k" * 20}

    answer = browser.post("/tickets/1/approve", data=form, headers={"Origin": origin})

    assert answer.status_code == 403
    assert works.book.ticket(1).phase == "proposed"
