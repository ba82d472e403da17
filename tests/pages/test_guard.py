"""Which computer is meant, through which proxy, from which page; and what a browser may do with the answer."""

from __future__ import annotations

import pytest

from farmwatch.config.settings import Pages as PagesSection
from tests.pages.conftest import Pages


@pytest.mark.parametrize(
    ("host", "status"),
    [
        ("localhost:8790", 200),
        ("127.0.0.1", 200),
        ("[::1]:8790", 200),
        ("BEDS.tidegate.example", 200),
        ("beds.tidegate.example.evil.example", 421),
        ("evil.example", 421),
        ("localhost@evil.example", 400),
        ("localhost/x", 400),
        ("localhost:port", 400),
        ("", 400),
    ],
)
def test_only_this_computer_is_meant(farm: Pages, host: str, status: int):
    section = PagesSection.model_validate({"url": "https://beds.tidegate.example"})
    farm.settings = farm.settings.model_copy(update={"pages": section})

    assert farm.client().get("/", headers={"Host": host}).status_code == status


@pytest.mark.parametrize("header", ["Via", "Forwarded", "X-Forwarded-For"])
def test_without_people_nobody_comes_by_a_proxy_that_was_not_told_of(ask, header: str):
    assert ask("/", headers={header: "1.1 gate"}).status_code == 403


@pytest.mark.long
def test_nothing_from_outside_no_frame_no_sniffing(ask):
    for path in ("/", "/machines/heron-01", "/nothing", "/health"):
        headers = ask(path).headers
        policy = headers["Content-Security-Policy"]
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert "frame-ancestors 'none'" in policy
        assert headers["X-Content-Type-Options"] == "nosniff"
        assert headers["Referrer-Policy"] == "same-origin"
    text = ask("/machines/heron-01").text
    assert "style=" not in text
    assert "onclick" not in text
    assert "http://" not in text.replace("http://www.w3.org/", "")


def test_style_and_script_are_kept_for_good_under_a_name_that_changes_with_them(ask):
    text = ask("/").text
    for kind in ("css", "js", "svg"):
        start = text.index(f'.{kind}"')
        path = text[text.rindex('"', 0, start) + 1 : start] + f".{kind}"
        answer = ask(path)
        assert answer.status_code == 200
        assert "immutable" in answer.headers["Cache-Control"]
    assert ask("/style/..%2fapp.py").status_code == 404
    assert ask("/style/pages.html").status_code == 404


@pytest.mark.long
def test_a_page_weighs_no_more_than_fifty_kilobytes(ask):
    for path in ("/", "/machines/heron-01"):
        assert len(ask(path).data) <= 50_000
