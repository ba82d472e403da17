"""The company's page in a browser: wide, narrow, dark and on paper."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from farmwatch.company import Engine, write_company
from farmwatch.report import Week
from tests.browser import clipped, covered, number_of_pages, printed, show, start_browser, violations
from tests.company.lakes import EXPORTED_AT
from tests.company.test_company import COMPANY, foreign, half_written

pytestmark = [pytest.mark.browser, pytest.mark.filterwarnings("default")]


@pytest.fixture(scope="module")
def browser(tmp_path_factory) -> Iterator:
    found = start_browser(tmp_path_factory.mktemp("profile"))
    yield found
    found.quit()


@pytest.fixture
def page(lake: Path, tmp_path: Path) -> str:
    """With something to say of the data."""
    half_written(lake)
    foreign(lake)
    company = COMPANY.model_copy(update={"sites": ("Tern Lock",)})
    _, path = write_company(
        company, str(lake), tmp_path / "out", EXPORTED_AT, Week.read("2026-W47"), engine=Engine(jobs=1)
    )
    return path.as_uri()


@pytest.mark.parametrize(("width", "dark"), [(1280, False), (360, False), (1000, True)])
def test_nothing_runs_off_the_screen_or_over_other_words(browser, page, width, dark):
    show(browser, page, width=width, dark=dark)
    assert browser.execute_script("return document.documentElement.scrollWidth") <= width
    assert clipped(browser) == []
    assert covered(browser) == []
    assert violations(browser) == []
    assert [entry for entry in browser.get_log("browser") if entry["level"] == "SEVERE"] == []


def test_on_paper_it_takes_two_sheets(browser, page):
    show(browser, page)
    assert number_of_pages(printed(browser)) <= 2
