"""Reports, settings and the JSON: what they show, and what they never do."""

from __future__ import annotations

import base64
import hashlib
import json

import pytest

from farmwatch.config import Secret
from farmwatch.config.settings import Mail
from tests.pages.conftest import Pages, sign_in


def test_every_edition_is_listed_and_served_as_it_was_written(farm: Pages):
    folder = farm.settings.farm.reports
    folder.mkdir()
    style = "p { color: #123; }"
    (folder / "farmwatch-2026-W47.html").write_text(f"<style>{style}</style><p>the week</p>")
    (folder / "farmwatch-2026-W47.json").write_text(json.dumps({"summary": "3 of 4 need <i>work</i>."}))
    (folder / "secret.html").write_text("no")
    (folder / "farmwatch-2026-W46.html").symlink_to("/etc/passwd")
    browser = farm.client()

    text = browser.get("/reports").text
    assert "Week 2026-W47" in text
    assert "3 of 4 need &lt;i&gt;work&lt;/i&gt;." in text
    answer = browser.get("/reports/farmwatch-2026-W47.html")
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    assert f"style-src 'sha256-{digest}'" in answer.headers["Content-Security-Policy"]
    assert "default-src 'none'" in answer.headers["Content-Security-Policy"]
    for name in ("secret.html", "farmwatch-2026-W46.html", "..%2f..%2fetc%2fpasswd", "farmwatch-2026-W47.html%00"):
        assert browser.get(f"/reports/{name}").status_code == 404, name


def test_the_settings_name_secrets_and_never_show_them(works: Pages, tmp_path):
    (tmp_path / "mail").write_text("hunter2hunter2")
    mail = Mail(
        host="mail.tidegate.example", user="farm", password=Secret("file:mail", tmp_path),
        sender="farm@tidegate.example", report_to=("a@tidegate.example",),
    )  # fmt: skip
    works.settings = works.settings.model_copy(update={"mail": mail})
    browser = works.client()
    sign_in(browser, "lead")

    text = browser.get("/settings").text

    assert "from file:mail" in text
    assert "hunter2" not in text
    assert "scrypt" not in text
    assert "[people.bench]" in text
    assert "usable_mm" in text


@pytest.mark.parametrize(
    ("path", "schema"),
    [
        ("/api/fleet", "farmwatch.fleet/1"),
        ("/api/assessment?machine=heron-01", "farmwatch.assessment/1"),
        ("/api/tickets", "farmwatch.tickets/1"),
        ("/api/tickets?open=yes", "farmwatch.tickets/1"),
        ("/api/tickets/1", "farmwatch.ticket/1"),
    ],
)
def test_the_same_as_json(ask, path: str, schema: str):
    answer = ask(path)

    assert answer.headers["Content-Type"] == "application/json"
    assert answer.json["schema"] == schema


@pytest.mark.long
def test_an_assessment_is_that_of_the_command(farm: Pages):
    from farmwatch.assess import assess
    from farmwatch.judge import assessment_document

    wanted = assessment_document(assess(farm.settings, farm.store, farm.now))

    assert farm.client().get("/api/assessment").json == json.loads(json.dumps(wanted))


def test_readings_are_lines_that_can_be_imported(ask):
    answer = ask("/api/machines/heron-01/readings?most=3&until=2026-11-21T06:00:00Z")
    lines = [json.loads(line) for line in answer.text.splitlines()]

    assert [line["taken_at"] for line in lines] == [f"2026-11-{day}T06:00:00Z" for day in (21, 20, 19)]
    assert len(lines[0]["heights"]) == 7


@pytest.mark.parametrize(
    "path",
    ["/api/machines/zz/readings", "/api/machines/heron-01/readings?most=0", "/api/tickets/99", "/api/nothing",
     "/api/machines/heron-01/readings?since=monday", "/api/assessment?machine=zz"],
)  # fmt: skip
def test_what_is_not_there_is_told_as_a_problem_document(ask, path: str):
    answer = ask(path)

    assert (answer.status_code, answer.headers["Content-Type"]) == (404, "application/problem+json")
    assert answer.json["status"] == 404


def test_the_description_names_every_address_and_no_other(farm: Pages):
    described = farm.client().get("/api/openapi.json").json

    served = {rule.rule for rule in farm.app.url_map.iter_rules() if rule.rule.startswith("/api/")}
    plain = {
        rule.replace("<machine:name>", "{name}").replace("<int(max=2147483647):number>", "{number}") for rule in served
    }
    assert described["openapi"] == "3.1.0"
    assert set(described["paths"]) == plain - {"/api/openapi.json"}
    for path, item in described["paths"].items():
        assert set(item) == {"get"}, path
        assert "200" in item["get"]["responses"]
