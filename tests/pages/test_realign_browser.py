"""From an approved ticket to a proven repair in a real browser on a small screen, against the demo's living farm."""

from __future__ import annotations

import re
import signal
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import pytest
from selenium import webdriver
from selenium.webdriver.common.by import By

from farmwatch.config import load_settings
from farmwatch.store import Store
from farmwatch.tickets import TicketRepository
from tests.browser import clipped, covered, show, start_browser, violations

pytestmark = [pytest.mark.browser, pytest.mark.timeout(420)]


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, Path]]:
    """`farmwatch demo --serve`: its address and folder. heron-02, tilted and bent, takes two moves."""
    folder = tmp_path_factory.mktemp("living")
    command = [sys.executable, "-m", "farmwatch", "demo", "--serve", "--weeks", "4", "--machines", "6"]
    with (folder / "said").open("w") as said, (folder / "err").open("w") as errors:
        child = subprocess.Popen([*command, "--dir", str(folder / "d")], stdout=said, stderr=errors)
        try:
            yield _address(folder, child), folder / "d"
        finally:
            child.send_signal(signal.SIGINT)
            child.wait(30)


def _address(folder: Path, child: subprocess.Popen[bytes]) -> str:
    for _ in range(600):
        found = re.search(r"http://127\.0\.0\.1:\d+", (folder / "said").read_text())
        if found:
            try:
                with urllib.request.urlopen(found[0] + "/machines/heron-02", timeout=5) as answer:
                    if answer.status == 200:
                        return found[0]
            except urllib.error.URLError:
                pass
        assert child.poll() is None, (folder / "err").read_text()
        time.sleep(0.2)
    raise AssertionError("the demo's pages never answered")


@pytest.fixture
def phone(tmp_path: Path) -> Iterator[webdriver.Chrome]:
    browser = start_browser(tmp_path / "profile")
    yield browser
    browser.quit()


def until(browser: webdriver.Chrome, words: str, seconds: float = 60) -> str:
    """The text of the page, once these words stand on it; nothing is pressed or reloaded meanwhile."""
    end = time.monotonic() + seconds
    text = ""
    while time.monotonic() < end:
        text = str(browser.execute_script("return document.querySelector('main').innerText"))
        if words in text:
            return text
        time.sleep(0.3)
    raise AssertionError(f"{words!r} never came: {text}")


def press(browser: webdriver.Chrome, label: str) -> None:
    (found,) = browser.find_elements(By.XPATH, f"//main//*[self::button or self::a][normalize-space()='{label}']")
    browser.execute_script("arguments[0].scrollIntoView({block: 'center'})", found)
    found.click()


def say_name(browser: webdriver.Chrome) -> None:
    for field in browser.find_elements(By.CSS_SELECTOR, "input[name=by]:not([type=hidden])"):
        if field.is_displayed() and not field.get_attribute("value"):
            field.send_keys("bench two")


def test_approve_take_realign_by_two_moves_done_and_proven(demo: tuple[str, Path], phone: webdriver.Chrome):
    address, folder = demo
    settings = load_settings(folder / "config.toml")
    book = TicketRepository(Store(settings.farm.database))
    ticket = book.tickets(["heron-02"])[-1]
    if ticket.phase == "proposed":
        show(phone, f"{address}/tickets/{ticket.number}", width=360, height=760)
        say_name(phone)
        press(phone, "Approve")

    show(phone, f"{address}/machines/heron-02", width=360, height=760)
    press(phone, "Guided realignment")
    assert not violations(phone)
    assert not clipped(phone)
    for box in phone.find_elements(By.CSS_SELECTOR, ".tick-row input"):
        phone.execute_script("arguments[0].click()", box)
    say_name(phone)
    press(phone, "Begin")

    # Hands and probe are the demo's; the phone is not touched.
    first = until(phone, "One tooth only, to learn this machine")
    assert "FRONT LEFT" in first
    lowest = "return Math.min(...[...document.querySelectorAll('.deeds button')].map(b => b.offsetHeight))"
    assert phone.execute_script(lowest) >= 56
    until(phone, "front left fell 0.")
    assert not covered(phone, "svg.scale", ".sign")
    until(phone, "Finished at 0.3")
    assert not violations(phone)
    assert not clipped(phone)

    press(phone, "Belt, power and nozzle are right: done")
    until(phone, "DO NOT TURN", 10)
    for _ in range(200):
        if book.ticket(ticket.number).phase == "proven":
            break
        time.sleep(0.5)
    done = book.ticket(ticket.number)
    assert (done.phase, done.method) == ("proven", "realign")
    moves = [move for move in Store(settings.farm.database).moves(["heron-02"]) if move.ticket == ticket.number]
    assert len({move.at for move in moves}) == 2


def test_the_step_is_read_dark_at_200_percent_and_by_the_keyboard_alone(
    demo: tuple[str, Path], phone: webdriver.Chrome
):
    address, _ = demo
    page = f"{address}/realign/heron-01"
    show(phone, page, width=720, height=900, zoom=2, dark=True)
    assert not clipped(phone)
    assert not violations(phone)
    body = phone.find_element(By.TAG_NAME, "body")
    reached = set()
    for _ in range(40):
        phone.switch_to.active_element.send_keys("\ue004")
        at = phone.switch_to.active_element
        reached.add(at.get_attribute("name") or at.text)
        if at.get_attribute("type") == "checkbox" and not at.is_selected():
            at.send_keys(" ")
    assert {f"caution-{number}" for number in range(8)} <= reached
    assert "Begin" in reached
    assert body.is_displayed()
    ticked = phone.find_elements(By.CSS_SELECTOR, ".tick-row input:checked")
    assert len(ticked) == len(phone.find_elements(By.CSS_SELECTOR, ".tick-row input"))
