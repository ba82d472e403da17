"""Every address, by the table: what it answers whom. An address that has no row here fails."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from urllib.parse import quote

import pytest
from flask.testing import FlaskClient

from farmwatch.pages.routes import ROUTES
from farmwatch.times import micros
from tests.farm import NOW
from tests.pages.conftest import TOKEN, Pages, sign_in, token

MESH = micros(NOW - timedelta(days=1))
SOMEONE = ("nobody", "gate", "bench", "lead")
# What answers a GET by nobody, by a viewer, a technician and a manager.
OPEN = (200, 200, 200, 200)
READ = (303, 200, 200, 200)
FOR_PROGRAMS = (401, 200, 200, 200)
# A POST: without its form's token, then with it. 400: it got to the page, which asks for the rest of its form.
BENCH_BARE, BENCH = (401, 403, 403, 403), (401, 403, 409, 409)
LEAD_BARE, LEAD = (401, 403, 403, 403), (401, 403, 403, 409)

# A manager's alone.
KEPT = (303, 403, 403, 200)

READS = {
    "/health": OPEN,
    "/metrics": OPEN,
    "/": READ,
    "/you": READ,
    "/machines/heron-01": READ,
    "/realign/heron-01": READ,
    "/realign/heron-01/events": FOR_PROGRAMS,
    "/wall": READ,
    "/tickets": READ,
    "/tickets/due-work.ics": FOR_PROGRAMS,
    "/tickets/1": READ,
    "/tickets/1/sheet": READ,
    f"/machines/heron-01/meshes/{MESH}": READ,
    f"/machines/heron-01/meshes/difference?a={MESH}&b={MESH}": READ,
    "/machines/heron-01/meshes": READ,
    "/hosts": READ,
    "/hosts/mapping": KEPT,
    "/reports": READ,
    "/reports/farmwatch-2026-W47.html": READ,
    "/settings": KEPT,
    "/api/openapi.json": FOR_PROGRAMS,
    "/api/fleet": FOR_PROGRAMS,
    "/api/assessment?machine=heron-02": FOR_PROGRAMS,
    "/api/machines/heron-01/readings": FOR_PROGRAMS,
    "/api/tickets": FOR_PROGRAMS,
    "/api/tickets/1": FOR_PROGRAMS,
}
CHANGES = {
    "/machines/heron-01/notes": (BENCH_BARE, BENCH),
    "/machines/heron-01/out": (BENCH_BARE, BENCH),
    "/machines/heron-01/back": (BENCH_BARE, BENCH),
    "/machines/heron-01/ask": (BENCH_BARE, BENCH),
    f"/machines/heron-01/meshes/{MESH}/set-aside": (BENCH_BARE, BENCH),
    f"/machines/heron-01/meshes/{MESH}/put-back-in": (BENCH_BARE, BENCH),
    "/hosts/mapping": ((401, 403, 403, 403), (401, 403, 403, 422)),
    "/machines/heron-01/tickets": (BENCH_BARE, BENCH),
    "/realign/heron-01/begin": (BENCH_BARE, BENCH),
    "/realign/heron-01/answer": (BENCH_BARE, BENCH),
    "/realign/heron-01/take-back": (BENCH_BARE, BENCH),
    "/realign/heron-01/take-over": (BENCH_BARE, BENCH),
    "/realign/heron-01/leave": (BENCH_BARE, BENCH),
    "/tickets/together": (BENCH_BARE, BENCH),
    "/tickets/1/approve": (LEAD_BARE, LEAD),
    "/tickets/1/assign": (LEAD_BARE, LEAD),
    "/tickets/1/take": (BENCH_BARE, BENCH),
    "/tickets/1/put-back": (BENCH_BARE, BENCH),
    "/tickets/1/done": (BENCH_BARE, BENCH),
    "/tickets/1/nothing-found": (BENCH_BARE, BENCH),
    "/tickets/1/accept": (LEAD_BARE, LEAD),
    "/tickets/1/withdraw": (LEAD_BARE, LEAD),
    "/tickets/1/reopen": (LEAD_BARE, LEAD),
    "/tickets/1/undo": (BENCH_BARE, BENCH),
}
# Told apart by tests of their own.
ELSEWHERE = {("/sign-in", "GET"), ("/sign-in", "POST"), ("/sign-out", "POST"), ("/style/<name>", "GET")}


def rule_of(farm: Pages, path: str, method: str) -> str:
    adapter = farm.app.url_map.bind("localhost")
    rule, _ = adapter.match(path.partition("?")[0], method, return_rule=True)
    return rule.rule


def test_every_address_that_is_served_has_its_row_here_and_in_the_table(farm: Pages):
    served = {(rule.rule, method) for rule in farm.app.url_map.iter_rules() for method in rule.methods - {"HEAD"}}

    assert served == {(route.rule, route.method) for route in ROUTES}
    assert len({route.name for route in ROUTES}) == len(ROUTES)
    told = {(rule_of(farm, path, "GET"), "GET") for path in READS}
    told |= {(rule_of(farm, path, "POST"), "POST") for path in CHANGES}
    assert served - told == ELSEWHERE


@pytest.fixture(autouse=True)
def edition(tmp_path):
    (tmp_path / "reports").mkdir()
    (tmp_path / "reports" / "farmwatch-2026-W47.html").write_text("<style>p{}</style><p>the week</p>")


@pytest.fixture
def browsers(works: Pages) -> dict[str, FlaskClient]:
    found = {name: works.client() for name in SOMEONE}
    for name in SOMEONE[1:]:
        assert sign_in(found[name], name).status_code == 303
    return found


@pytest.mark.long
def test_who_may_read_what(browsers: dict[str, FlaskClient]):
    for path, wanted in READS.items():
        assert tuple(browsers[name].get(path).status_code for name in SOMEONE) == wanted, path
        if wanted == READ:
            assert browsers["nobody"].get(path).headers["Location"] == f"/sign-in?next={quote(path, safe='/?')}"


@pytest.mark.long
def test_who_may_change_what(works: Pages, browsers: dict[str, FlaskClient]):
    tokens = {name: token(browser.get("/sign-in" if name == "nobody" else "/you").text)
              for name, browser in browsers.items()}  # fmt: skip
    for path, (bare, whole) in CHANGES.items():
        assert tuple(browsers[name].post(path).status_code for name in SOMEONE) == bare, path
        pressed = tuple(browsers[name].post(path, data={"csrf_token": tokens[name]}).status_code for name in SOMEONE)
        assert pressed == whole, path
        if path not in READS:
            asked = tuple(browsers[name].get(path).status_code for name in SOMEONE if name != "nobody")
            assert asked == (405,) * 3, path
    assert [one.phase for one in works.book.tickets()] == ["proposed", "proposed"]
    assert works.changes == 0


@pytest.mark.long
def test_a_viewer_sees_no_button_that_he_may_not_press(browsers: dict[str, FlaskClient]):
    for path in ("/", "/machines/heron-01", "/tickets", "/tickets/1"):
        assert 'method="post"' not in browsers["gate"].get(path).text, path
    assert "/tickets/1/approve" in browsers["lead"].get("/tickets/1").text
    assert "/tickets/1/approve" not in browsers["bench"].get("/tickets/1").text


def test_a_token_reads_what_is_for_programs_and_nothing_else(works: Pages):
    browser = works.client()
    by = {"Authorization": f"Bearer {TOKEN}"}

    assert browser.get("/tickets/due-work.ics", headers=by).status_code == 200
    assert browser.get("/", headers=by).status_code == 403
    assert browser.post("/tickets/1/take", headers=by).status_code == 403
    for wrong in (f"Bearer {TOKEN[:-1]}", "Bearer ", "Bearer", f"Basic {TOKEN}", "Digest x"):
        answer = browser.get("/tickets/due-work.ics", headers={"Authorization": wrong})
        assert answer.status_code == 401, wrong
        assert answer.headers["WWW-Authenticate"].startswith("Bearer")
    assert browser.get("/tickets/due-work.ics", auth=("board", TOKEN)).status_code == 200


@pytest.mark.long
def test_on_this_computer_without_people_everything_may_be_done(ask: Callable[..., object], farm: Pages):
    for path in READS:
        assert farm.client().get(path).status_code == 200, path
