"""The page in a browser: one sheet of A4 first, nothing sideways, nothing loaded, nothing complained of."""

import json
import re
import subprocess
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
from selenium import webdriver
from selenium.webdriver import ActionChains, Keys

from farmwatch.report.page import render
from farmwatch.report.ticket_facts import find_ticket_facts
from farmwatch.report.view import FarmFacts, WeeklyView, weekly_view
from farmwatch.text import shortened
from tests.browser import clipped, covered, number_of_pages, printed, show, start_browser, violations

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[webdriver.Chrome]:
    driver = start_browser(tmp_path_factory.mktemp("profile"))
    yield driver
    driver.quit()


@pytest.fixture(scope="module")
def views(invented: ModuleType, farm: FarmFacts, view: WeeklyView, with_tickets: WeeklyView) -> dict[str, WeeklyView]:
    now, before = invented.invented_fleet(), invented.invented_fleet(invented.WEEK_START)

    def named(fleet):
        rude = "<script>alert(1)</script> & a very long name that has all of its eighty letters "
        machines = (
            replace(m, machine=f"{rude[:77]}{i:03d}", aisle="<i>the far aisle</i>")
            for i, m in enumerate(fleet.machines)
        )
        return replace(fleet, machines=tuple(machines))

    past = tuple(invented.machine(f"heron-{i:02d}", invented.bed((0.3 + 0.1 * i, -0.2), seed=i)) for i in range(40))
    healthy = tuple(m for m in now.machines if m.condition == "ideal")
    # Every machine of three hundred has a ticket, in every phase there is.
    many = invented.large_fleet(300)
    pattern, events = invented.invented_book()
    lives = [(ticket, [e for e in events if e.number == ticket.number]) for ticket in pattern]
    tickets, entered = [], []
    for i, machine in enumerate(many.machines, 1):
        ticket, its = lives[i % len(lives)]
        tickets.append(replace(ticket, number=i, machine=machine.machine))
        entered += [replace(event, number=i) for event in its]
    names = {m.machine: named(now).machines[i].machine for i, m in enumerate(now.machines)}
    return {
        "invented": view,
        "tickets": with_tickets,
        "rude tickets": weekly_view(
            named(now), named(before), replace(farm, name="<b>Works</b> " * 6), invented.booked(named(now), names)
        ),
        "a ticket each": weekly_view(
            many,
            invented.large_fleet(300, invented.WEEK_START),
            farm,
            find_ticket_facts(tickets, sorted(entered, key=lambda e: e.at), many, invented.WEEK_START),
        ),
        "rude": weekly_view(named(now), named(before), replace(farm, name="<b>Works</b> " * 6)),
        "all past the limit": weekly_view(replace(now, machines=past), replace(before, machines=past), farm),
        "all healthy": weekly_view(replace(now, machines=healthy), replace(before, machines=healthy), farm),
        "empty": weekly_view(replace(now, machines=()), replace(before, machines=()), farm),
        "large": weekly_view(invented.large_fleet(300), invented.large_fleet(300, invented.WEEK_START), farm),
    }


CASES = (
    "invented",
    "tickets",
    "rude tickets",
    "a ticket each",
    "rude",
    "all past the limit",
    "all healthy",
    "empty",
    "large",
)


def opened(browser: webdriver.Chrome, view: WeeklyView, folder: Path, width: int = 1280, **how: Any) -> None:
    page = folder / "report.html"
    page.write_text(render(view), encoding="utf-8")
    show(browser, page.as_uri(), width=width, **how)


def printed_pages(browser: webdriver.Chrome) -> int:
    return number_of_pages(printed(browser))


@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize("width", [360, 768, 1280])
def test_no_page_scrolls_sideways(browser, views, tmp_path, case, width):
    opened(browser, views[case], tmp_path, width)
    assert browser.execute_script("return document.documentElement.scrollWidth") <= width
    wide = browser.execute_script(
        "return [...document.querySelectorAll('main *')].filter(e => !e.closest('.scroll, .wide, svg') &&"
        " e.getBoundingClientRect().right > innerWidth + 1).map(e => e.outerHTML.slice(0, 80))"
    )
    assert wide == []


# The faces of the style sheet are not on every computer; DejaVu Serif is about the widest that could take their place.
@pytest.mark.parametrize("face", ["", "DejaVu Serif"])
@pytest.mark.parametrize("case", CASES)
def test_the_first_page_is_one_sheet_of_a4(browser, views, tmp_path, case, face):
    opened(browser, views[case], tmp_path)
    if face:
        browser.execute_script("document.body.style.fontFamily = arguments[0]", face)
    whole = printed_pages(browser)
    browser.execute_script(
        "while (document.querySelector('.front').nextSibling) document.querySelector('.front').nextSibling.remove()"
    )
    assert printed_pages(browser) == 1
    assert whole > 1


@pytest.mark.parametrize("face", ["", "DejaVu Serif"])
@pytest.mark.parametrize("case", ["invented", "tickets", "rude tickets", "all past the limit"])
def test_every_work_sheet_is_one_sheet_of_a4(browser, views, tmp_path, case, face):
    opened(browser, views[case], tmp_path)
    if face:
        browser.execute_script("document.body.style.fontFamily = arguments[0]", face)
    sheets = browser.execute_script(
        "const sheets = [...document.querySelectorAll('.machine')];"
        "document.querySelector('main').replaceChildren(...sheets); return sheets.length"
    )
    assert sheets == len(views[case].sheets) > 0
    assert printed_pages(browser) == sheets


@pytest.mark.parametrize("case", ["tickets", "rude tickets", "large", "a ticket each"])
def test_everything_stands_on_the_sheet_that_page_1_names(browser, views, tmp_path, case):
    """Each machine on its page, each of the first five sheets whole, and no word written twice."""
    opened(browser, views[case], tmp_path)
    pdf = tmp_path / "report.pdf"
    pdf.write_bytes(printed(browser))
    text = subprocess.run(["pdftotext", "-raw", str(pdf), "-"], capture_output=True, check=True, text=True).stdout
    pages = [" ".join(page.split()) for page in text.split("\f")]
    view = views[case]
    heads = {1: "Weekly bed report", 2: "What changed since last week", 3: "Coming", 4: "What we cannot see"}
    for number, head in {**heads, 5: "Cautions, before the first move"}.items():
        assert pages[number - 1].split(" ", 3)[3].startswith(head), "behind its number, such as 1 of 14"
    for name, number in view.pages.of_machine.items():
        assert shortened(name, 20)[:12].strip() in pages[number - 1], (name, number)
    for sheet in view.sheets:
        page = pages[view.pages.of_machine[sheet.machine] - 1]
        assert page.count("Reading after") == page.count("Why we think so") == 1
        assert len(re.findall(r"\bhighest\b", page)) <= 1, "the halo of a label would write it twice"


def test_a_thumb_finds_every_link_of_the_finder(browser, views, tmp_path):
    """Any machine's moves in two taps: the bar stays in sight, targets are at least 44 px high."""
    opened(browser, views["tickets"], tmp_path, 360)
    small = browser.execute_script(
        "return [...document.querySelectorAll('.bar a, .directory a')].filter("
        "e => e.getBoundingClientRect().height < 44).map(e => e.textContent)"
    )
    assert small == []
    browser.execute_script("scrollTo(0, 4000)")
    assert browser.execute_script("return document.querySelector('.bar').getBoundingClientRect().top") == 0
    browser.execute_script("location.hash = document.querySelector('.directory a[href^=\"#steps\"]').hash")
    top, bar = browser.execute_script(
        "return [document.querySelector(location.hash).getBoundingClientRect().top,"
        " document.querySelector('.bar').getBoundingClientRect().bottom]"
    )
    assert bar - 2 <= top < 200


def test_a_table_that_is_too_tall_for_the_sheet_would_be_noticed(browser, views, tmp_path):
    """The check above can fail: a first page with forty more lines takes two sheets."""
    opened(browser, views["invented"], tmp_path)
    browser.execute_script(
        "const f = document.querySelector('.front'); while (f.nextSibling) f.nextSibling.remove();"
        "for (let i = 0; i < 40; i++) f.append(document.createElement('p'), 'line')"
    )
    assert printed_pages(browser) == 2


def test_nothing_is_loaded_run_or_complained_of(browser, views, tmp_path):
    browser.get("about:blank")
    browser.get_log("performance"), browser.get_log("browser")
    opened(browser, views["rude"], tmp_path)
    sent = [json.loads(entry["message"])["message"] for entry in browser.get_log("performance")]
    asked = [m["params"]["request"]["url"] for m in sent if m["method"] == "Network.requestWillBeSent"]
    assert asked == [(tmp_path / "report.html").as_uri()]
    assert browser.get_log("browser") == []
    assert browser.execute_script("return document.querySelectorAll('script, iframe, img, link, object').length") == 0


def test_the_policy_lets_the_style_in_and_nothing_else(browser, views, tmp_path):
    opened(browser, views["invented"], tmp_path)
    assert browser.execute_script("return document.styleSheets.length") == 1
    browser.execute_script(
        "const s = document.createElement('style'); s.textContent = 'body { color: red }'; document.head.append(s)"
    )
    assert any("Content Security Policy" in entry["message"] for entry in browser.get_log("browser"))


@pytest.mark.parametrize("width", [360, 500, 768, 1280])
def test_no_name_of_a_machine_is_broken(browser, views, tmp_path, width):
    """Every name, wherever it stands in a text, lies on one line: one rectangle around its letters."""
    opened(browser, views["tickets"], tmp_path, width)
    found, broken = browser.execute_script(NAMES_ON_TWO_LINES)
    assert found > 80
    assert broken == []
    browser.execute_script(
        "const s = new CSSStyleSheet(); s.replaceSync('.whole { white-space: normal } main { max-width: 9rem }');"
        "document.adoptedStyleSheets = [s]"
    )
    if width == 360:
        assert browser.execute_script(NAMES_ON_TWO_LINES)[1], "the check can fail"


@pytest.mark.parametrize("case", ["tickets", "rude tickets"])
def test_on_a_telephone_no_table_but_the_fleet_s_runs_off_the_edge(browser, views, tmp_path, case):
    """Each cell of a table lies inside the screen, with its heading before it."""
    opened(browser, views[case], tmp_path, 360)
    cells, outside, unnamed = browser.execute_script(
        "const cells = [...document.querySelectorAll('td')].filter(e => !e.closest('.fleet, .labour'));"
        "const out = cells.filter(e => { const r = document.createRange(); r.selectNodeContents(e);"
        "  return r.getBoundingClientRect().right > innerWidth; });"
        "const unnamed = cells.filter(e => !e.matches('.no') && getComputedStyle(e, '::before').content === 'none');"
        "return [cells.length, out.map(e => e.outerHTML), unnamed.map(e => e.outerHTML)]"
    )
    assert cells > 60
    assert (outside, unnamed) == ([], [])


NAMES_ON_TWO_LINES = """
const walk = document.createTreeWalker(document.querySelector('main'), NodeFilter.SHOW_TEXT);
let found = 0; const broken = [];
while (walk.nextNode()) {
  const node = walk.currentNode;
  if (node.parentElement.closest('svg')) continue;
  for (const match of node.data.matchAll(/(heron|plover|avocet)-[0-9]+/g)) {
    const range = document.createRange();
    range.setStart(node, match.index); range.setEnd(node, match.index + match[0].length);
    const lines = new Set([...range.getClientRects()].filter(r => r.width > 0).map(r => Math.round(r.top)));
    found += lines.size > 0;
    if (lines.size > 1) broken.push(match[0] + ' in ' + node.parentElement.outerHTML.slice(0, 80));
  }
}
return [found, broken];
"""


@pytest.mark.parametrize("width", [360, 500, 1280])
def test_the_staff_of_ranges_is_seen_whole(browser, views, tmp_path, width):
    """One of the two staffs is shown, all of its words and marks lie inside, and none of its words on another."""
    opened(browser, views["invented"], tmp_path, width)
    shown, outside, hidden = browser.execute_script(
        "const s = [...document.querySelectorAll('svg.strip')].filter(e => e.getBoundingClientRect().width > 0);"
        "const box = document.querySelector('figure.staff').getBoundingClientRect();"
        "const parts = [...s[0].querySelectorAll('text, path, rect')];"
        "const out = parts.filter(e => { const r = e.getBoundingClientRect();"
        "  return r.left < box.left - 1 || r.right > box.right + 1; });"
        "const words = [...s[0].querySelectorAll('text')].map(e => [e.textContent, e.getBoundingClientRect()]);"
        "const over = words.flatMap(([a, p], i) => words.slice(i + 1).filter(([b, q]) => p.left < q.right &&"
        "  q.left < p.right && p.top < q.bottom - 1 && q.top < p.bottom - 1).map(([b, q]) => a + ' on ' + b));"
        "return [s.length, out.map(e => e.outerHTML), over];"
    )
    assert (shown, outside, hidden) == (1, [], [])
    left = browser.execute_script(
        "return [...document.querySelectorAll('svg.strip text')].filter(e => e.getBoundingClientRect().width)"
        ".map(e => e.textContent)"
    )
    assert {"0.02", "1", "ideal 0.1", "usable 0.2", "mm"} <= set(left)


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_words_stand_out_from_the_paper(browser, views, tmp_path, scheme):
    """WCAG 2.2, 1.4.3: at least 4.5 to 1 for text."""
    opened(browser, views["invented"], tmp_path, dark=scheme == "dark")
    paper, *inks = browser.execute_script(
        "const c = s => getComputedStyle(document.querySelector(s)); return [c('html').backgroundColor,"
        " c('body').color, c('.soft').color, c('svg .height').fill, c('svg .tick').fill, c('dt').color]"
    )
    assert (luminance(paper) < 0.2) == (scheme == "dark")
    assert min(contrast(paper, ink) for ink in inks) >= 4.5


def luminance(colour: str) -> float:
    """WCAG 2.2, relative luminance."""
    parts = [int(part) / 255 for part in re.findall(r"\d+", colour)[:3]]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def test_the_contrast_of_black_on_white_is_the_published_one():
    """WCAG 2.2 gives 21 to 1 for black on white."""
    assert contrast("rgb(0, 0, 0)", "rgb(255, 255, 255)") == pytest.approx(21.0)


@pytest.mark.parametrize("case", ["tickets", "rude tickets", "empty"])
@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize("width", [1280, 360])
def test_no_rule_of_accessibility_is_broken(browser, views, tmp_path, case, dark, width):
    opened(browser, views[case], tmp_path, width, dark=dark)
    assert violations(browser) == []


def test_no_rule_of_accessibility_is_broken_by_three_hundred_machines(browser, views, tmp_path):
    opened(browser, views["large"], tmp_path)
    assert violations(browser) == []


def test_a_broken_rule_of_accessibility_would_be_noticed(browser, views, tmp_path):
    opened(browser, views["invented"], tmp_path)
    browser.execute_script("document.querySelector('main').append(document.createElement('img'))")
    assert [line for line in violations(browser) if line.startswith("image-alt")]


@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize(("width", "zoom"), [(1280, 1), (360, 1), (1280, 2)])
def test_no_text_runs_off_the_screen(browser, views, tmp_path, case, width, zoom):
    """WCAG 2.2, 1.4.4 and 1.4.10: at 200 % and at the width of a phone too."""
    opened(browser, views[case], tmp_path, width, zoom=zoom)
    assert clipped(browser) == []


MARKS = ".screw, .extreme, .past, .ring, .unsure, .was, .spike, .sign, .dot"


@pytest.mark.parametrize("case", ["tickets", "all past the limit"])
@pytest.mark.parametrize(("width", "dark"), [(1280, False), (360, True)])
def test_no_label_of_a_drawing_lies_on_a_mark_or_another_label(browser, views, tmp_path, case, width, dark):
    opened(browser, views[case], tmp_path, width, dark=dark)
    drawings = "svg.strip, svg.quarter, svg.sheet, svg.history, svg.profile, svg.track, svg.due"
    assert sorted(set(covered(browser, drawings, MARKS))) == []


def test_a_label_on_a_mark_would_be_noticed(browser, views, tmp_path):
    opened(browser, views["tickets"], tmp_path)
    browser.execute_script(
        "const mark = document.querySelector('svg.strip .past').getBBox();"
        "const label = document.querySelector('svg.strip .name');"
        "label.setAttribute('x', mark.x); label.setAttribute('y', mark.y + mark.height)"
    )
    assert covered(browser, "svg.strip", MARKS)


def test_in_thirty_seconds_the_first_screen_says_what_matters(browser, views, tmp_path):
    """Worst machine, why, next action, who, hours: text within the first screen, without scrolling."""
    opened(browser, views["tickets"], tmp_path)
    words, bottom = browser.execute_script(
        "const e = document.querySelector('.sentence'); return [e.innerText, e.getBoundingClientRect().bottom]"
    )
    assert bottom < 400
    said = " ".join(words.split())
    assert "Worst: plover-03, 2.03 mm (tilt)" in said
    assert "inspect belt and pulleys, about 2.5 h, waits for the manager" in said


def test_the_keyboard_reaches_every_link_and_every_box_that_scrolls(browser, views, tmp_path):
    opened(browser, views["tickets"], tmp_path, 360)
    first, wanted = browser.execute_script(
        "return [document.querySelector('.skip').innerText,"
        " document.querySelectorAll('a[href], [tabindex=\"0\"]').length]"
    )
    reached = set()
    for _ in range(12):
        ActionChains(browser).send_keys(Keys.TAB).perform()
        reached.add(browser.execute_script("return document.activeElement.innerText.slice(0, 40)"))
    assert first in reached
    assert {"Find a machine", "Decide", "Changes"} <= reached
    unreachable = browser.execute_script(
        "return [...document.querySelectorAll('.scroll, .wide')].filter(e => e.tabIndex !== 0).length"
    )
    assert (unreachable, wanted > 60) == (0, True)
