"""The pages in Chromium: in two taps to the moves, nothing sideways, nothing complained of, nothing from outside."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from datetime import timedelta
from pathlib import Path

import pytest
from selenium import webdriver
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.ui import WebDriverWait

from farmwatch.config.settings import ServiceSection
from farmwatch.pages import PagesServer
from farmwatch.times import micros
from tests.browser import clipped, number_of_pages, printed, show, start_browser, violations
from tests.farm import NOW
from tests.pages.conftest import PASSWORD, Pages

pytestmark = [pytest.mark.browser, pytest.mark.timeout(600)]

MESH = micros(NOW - timedelta(days=1))
PAGES = (
    "/", "/?show=all&sort=name", "/?q=gull", "/machines/heron-01", "/machines/heron-02", "/machines/zz", "/tickets",
    "/tickets/1", "/tickets/1/sheet", "/machines/heron-01/meshes", f"/machines/heron-01/meshes/{MESH}",
    f"/machines/heron-01/meshes/difference?a={MESH}&b={micros(NOW - timedelta(days=12))}", "/hosts", "/hosts/mapping",
    "/reports", "/settings", "/you", "/wall", "/realign/heron-01",
)  # fmt: skip


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[webdriver.Chrome]:
    found = start_browser(tmp_path_factory.mktemp("profile"))
    yield found
    found.quit()


@pytest.fixture
def serve() -> Iterator[Callable[[Pages], str]]:
    servers: list[PagesServer] = []

    def start(farm: Pages) -> str:
        server = PagesServer(farm.app, ServiceSection.model_validate({"listen": "127.0.0.1:0"}))
        servers.append(server)
        server.start()
        return f"http://127.0.0.1:{server.port}"

    yield start
    for server in servers:
        server.close()


def tap(browser: webdriver.Chrome, selector: str) -> None:
    browser.find_element(By.CSS_SELECTOR, selector).click()


def visible(browser: webdriver.Chrome, selector: str) -> bool:
    """Whether it stands on the screen as it is, without scrolling."""
    box = browser.execute_script(
        "const r = document.querySelector(arguments[0]).getBoundingClientRect();"
        "return [r.top, r.bottom, innerHeight, r.width]", selector
    )  # fmt: skip
    return box[0] >= 0 and box[1] <= box[2] and box[3] > 0


def test_two_taps_to_the_moves_on_a_phone(browser, farm: Pages, serve):
    base = serve(farm)
    show(browser, base + "/", width=360, height=740)

    tap(browser, '.aisles a[href*="plover"]')
    tap(browser, 'a.row[href="/machines/plover-01"]')

    assert browser.find_element(By.CSS_SELECTOR, ".moves").text
    assert visible(browser, ".order-word")
    assert visible(browser, ".moves li:first-child")
    assert browser.execute_script("return parseFloat(getComputedStyle(document.querySelector('.moves')).fontSize)") > 26


def test_a_search_leads_there_by_keyboard_alone(browser, farm: Pages, serve):
    base = serve(farm)
    show(browser, base + "/")
    box = browser.switch_to.active_element
    for _ in range(12):
        box.send_keys(Keys.TAB)
        box = browser.switch_to.active_element
        if box.get_attribute("id") == "q":
            break
    box.send_keys("heron-01", Keys.ENTER)

    # Where keys lead is not waited for by the driver.
    WebDriverWait(browser, 20).until(lambda at: at.current_url == f"{base}/machines/heron-01")


@pytest.mark.parametrize(
    ("width", "dark", "zoom"), [(1280, False, 1), (360, True, 1), (1280, True, 2), (320, False, 1)]
)
def test_every_page_is_accessible_whole_and_quiet(browser, farm: Pages, serve, width: int, dark: bool, zoom: float):
    base = serve(farm)
    browser.get_log("browser")
    for path in PAGES:
        show(browser, base + path, width=width, dark=dark, zoom=zoom)
        assert violations(browser) == [], path
        assert clipped(browser) == [], path
        assert browser.execute_script("return document.documentElement.scrollWidth <= innerWidth"), path
        said = [entry["message"] for entry in browser.get_log("browser") if "404" not in entry["message"]]
        assert said == [], path


def test_nothing_is_loaded_from_outside(browser, farm: Pages, serve):
    base = serve(farm)
    browser.get_log("performance")
    for path in PAGES:
        show(browser, base + path)
    asked = [
        message["params"]["request"]["url"]
        for entry in browser.get_log("performance")
        if (message := json.loads(entry["message"])["message"])["method"] == "Network.requestWillBeSent"
    ]

    assert asked
    # The browser draws its own signs (of a field for a day) from itself.
    assert [url for url in asked if not url.startswith((base, "data:", "chrome:"))] == []


def test_what_a_hand_in_a_glove_presses_is_large_enough(browser, farm: Pages, serve):
    base = serve(farm)
    for path in ("/", "/machines/heron-01", "/tickets", "/tickets/1"):
        show(browser, base + path, width=360, height=740)
        small = browser.execute_script(
            "return [...document.querySelectorAll('main button, main a.button, .aisles a, a.row, .search input')]"
            ".filter(e => e.getBoundingClientRect().height > 0 && e.getBoundingClientRect().height < 44)"
            ".map(e => e.outerHTML.slice(0, 80))"
        )
        assert small == [], path
    for button in browser.find_elements(By.CSS_SELECTOR, ".glove button"):
        assert button.size["height"] >= 56


def test_the_work_sheet_is_one_sheet_of_paper(browser, farm: Pages, serve):
    show(browser, serve(farm) + "/tickets/1/sheet")

    assert number_of_pages(printed(browser)) == 1


def test_without_script_a_ticket_goes_all_the_way(browser, farm: Pages, serve):
    base = serve(farm)
    browser.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": True})
    try:
        for button in ("Approve", "Start", "Done"):
            show(browser, base + "/tickets/1")
            form = browser.find_element(By.XPATH, f"//button[text()='{button}']/ancestor::form")
            name = form.find_element(By.NAME, "by")
            name.clear()
            name.send_keys("bench")
            form.find_element(By.XPATH, f".//button[text()='{button}']").click()
            WebDriverWait(browser, 20).until(lambda driver: driver.find_elements(By.CSS_SELECTOR, ".notice"))
    finally:
        browser.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": False})

    assert farm.book.ticket(1).phase == "proving"
    assert [event.by for event in farm.book.events(1)][1:] == ["bench"] * 3


def test_sign_in_be_refused_see_no_button_and_sign_out(browser, works: Pages, serve):
    base = serve(works)

    def try_to(name: str, password: str) -> None:
        browser.find_element(By.ID, "name").clear()
        browser.find_element(By.ID, "name").send_keys(name)
        browser.find_element(By.ID, "password").send_keys(password, Keys.ENTER)

    show(browser, base + "/tickets/1", width=360, height=740)
    assert "/sign-in" in browser.current_url
    assert violations(browser) == []
    try_to("gate", "wrong")
    assert "It was not right" in browser.find_element(By.CSS_SELECTOR, '[role="alert"]').text
    try_to("gate", PASSWORD)
    assert browser.current_url == f"{base}/tickets/1"
    assert browser.find_elements(By.CSS_SELECTOR, "main form[method=post]") == []
    browser.get(base + "/settings")
    assert "You may not do this." in browser.find_element(By.TAG_NAME, "main").text
    browser.get(base + "/you")
    browser.find_element(By.XPATH, "//button[text()='Sign out']").click()
    browser.back()
    browser.refresh()
    assert "/sign-in" in browser.current_url


def test_hostile_texts_run_nothing(browser, farm: Pages, serve, tmp_path: Path):
    from farmwatch.config.settings import Machine
    from tests.farm import MODEL
    from tests.hostile import MACHINE

    name = f"{MACHINE}<script>document.title='x'</script>"
    farm.settings = farm.settings.model_copy(
        update={"machines": (*farm.settings.machines, Machine(name=name, model=MODEL.name, aisle=name))}
    )
    farm.judge()
    base = serve(farm)
    with farm.app.test_request_context():
        address = farm.app.url_for("machine", name=name)
    for path in ("/?show=all", address):
        show(browser, base + path)
        assert browser.title != "x"
        assert browser.find_elements(By.TAG_NAME, "marquee") == []
        assert name in browser.find_element(By.TAG_NAME, "main").text


def test_the_wall_fits_a_screen_and_is_read_at_five_metres(browser, farm: Pages, serve):
    base = serve(farm)
    show(browser, f"{base}/wall", width=1920, height=1080)
    tall = browser.execute_script(
        "return [document.documentElement.scrollHeight, document.documentElement.scrollWidth]"
    )
    assert tall[0] <= 1080
    assert tall[1] <= 1920
    smallest = browser.execute_script(
        "return Math.min(...[...document.querySelectorAll('main *')]"
        ".filter(e => e.children.length === 0 && e.textContent.trim() && e.getBoundingClientRect().width > 1)"
        ".map(e => parseFloat(getComputedStyle(e).fontSize)))"
    )
    # A screen 1.2 m wide has 0.63 mm a pixel: capitals of 36 px are 15 mm high, ten minutes of arc at five metres.
    assert smallest >= 36
