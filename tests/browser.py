"""A browser for tests: started without a network, at a width, a theme or on paper, and what is wrong with its page.

Chromium and its driver are wanted (Debian: chromium chromium-driver). The rules of accessibility are those of axe-core
(MPL-2.0), which the package axe-core-python brings along for tests; nothing of it is shipped.
"""

from __future__ import annotations

import base64
import os
import re
from importlib.resources import files
from pathlib import Path
from typing import Any

from selenium import webdriver
from selenium.webdriver.chrome.service import Service

__all__ = ["clipped", "covered", "number_of_pages", "printed", "show", "start_browser", "violations"]

CHROMIUM, DRIVER = "/usr/bin/chromium", "/usr/bin/chromedriver"
FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--hide-scrollbars",
)


def start_browser(profile: Path) -> webdriver.Chrome:
    """A browser with a profile of its own; whoever starts it quits it."""
    os.environ["SE_OFFLINE"] = "true"
    options = webdriver.ChromeOptions()
    options.binary_location = CHROMIUM
    for flag in (*FLAGS, f"--user-data-dir={profile}"):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    return webdriver.Chrome(options=options, service=Service(DRIVER))


def show(
    browser: webdriver.Chrome,
    address: str,
    *,
    width: int = 1280,
    height: int = 800,
    dark: bool = False,
    zoom: float = 1,
) -> None:
    """Open an address at a width in CSS pixels; zoom: what a reader zooms to (2 for 200 %, WCAG 2.2, 1.4.4)."""
    screen = {
        "width": round(width / zoom), "height": round(height / zoom), "deviceScaleFactor": zoom, "mobile": False,
    }  # fmt: skip
    scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", screen)
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": [scheme]})
    browser.get(address)


def printed(browser: webdriver.Chrome) -> bytes:
    """The page as PDF, on the paper that its style sheet names."""
    options = {"preferCSSPageSize": True, "printBackground": False, "displayHeaderFooter": False}
    return base64.b64decode(browser.execute_cdp_cmd("Page.printToPDF", options)["data"])


def number_of_pages(pdf: bytes) -> int:
    """Sheets of a PDF that the browser has written."""
    return len(re.findall(rb"/Type\s*/Page\b", pdf))


def violations(browser: webdriver.Chrome) -> list[str]:
    """What axe-core's rules say is wrong with the page that is shown: a line a rule, with the first elements."""
    browser.set_script_timeout(100)
    browser.execute_script(files("axe_core_python").joinpath("axe.min.js").read_text(encoding="utf-8"))
    found: dict[str, Any] = browser.execute_async_script(
        "const done = arguments[arguments.length - 1];"
        "axe.run(document, {resultTypes: ['violations']})"
        ".then(done, error => done({violations: [], error: '' + error}))"
    )
    assert "error" not in found, found["error"]
    return [
        f"{one['id']}: {one['help']}: " + " | ".join(node["html"][:160] for node in one["nodes"][:4])
        for one in found["violations"]
    ]


COVERED = """
const seen = e => { const r = e.getBoundingClientRect(); return r.width > 0.5 && r.height > 0.5; };
const said = [];
for (const svg of document.querySelectorAll(arguments[0])) {
  if (!seen(svg)) continue;
  const frame = svg.getBoundingClientRect();
  const words = [...svg.querySelectorAll('text:not(.in-screw)')].filter(seen).map(e => [e, e.getBoundingClientRect()]);
  const name = svg.querySelector('title') ? svg.querySelector('title').textContent : svg.outerHTML.slice(0, 60);
  // A box of text is as high as its line; letters take the middle of it.
  const inset = r => ({left: r.left + 1, right: r.right - 1,
    top: r.top + r.height * .22, bottom: r.bottom - r.height * .2});
  const meets = (p, q) => p.left < q.right && q.left < p.right && p.top < q.bottom && q.top < p.bottom;
  words.forEach(([a, p], i) => {
    if (p.left < frame.left - 1 || p.right > frame.right + 1 || p.top < frame.top - 2 || p.bottom > frame.bottom + 2)
      said.push(`${name}: "${a.textContent}" runs off the drawing`);
    for (const [b, q] of words.slice(i + 1))
      if (!a.hasAttribute('transform') && !b.hasAttribute('transform') && meets(inset(p), inset(q)))
        said.push(`${name}: "${a.textContent}" lies on "${b.textContent}"`);
    if (a.hasAttribute('transform')) return;
    for (const mark of svg.querySelectorAll(arguments[1]))
      if (seen(mark) && meets(inset(p), mark.getBoundingClientRect()))
        said.push(`${name}: "${a.textContent}" lies on ${mark.outerHTML.slice(0, 90)}`);
  });
}
return said;
"""


def covered(browser: webdriver.Chrome, drawings: str = "svg", marks: str = ".never") -> list[str]:
    """Words of drawings that lie on other words, on a mark (a CSS selector), or off their drawing; a sentence each."""
    said: list[str] = browser.execute_script(COVERED, drawings, marks)
    return said


CLIPPED = """
const out = [];
const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
while (walk.nextNode()) {
  const node = walk.currentNode;
  if (!node.data.trim() || node.parentElement.closest('svg, .scroll, .wide, .skip, .hidden, title, style')) continue;
  const range = document.createRange();
  range.selectNodeContents(node);
  for (const r of range.getClientRects())
    if (r.width > 1 && (r.right > innerWidth + 1 || r.left < -1)) { out.push(node.data.trim().slice(0, 60)); break; }
}
return out;
"""


def clipped(browser: webdriver.Chrome) -> list[str]:
    """Texts that run off the screen's edge, those in a box that scrolls apart."""
    said: list[str] = browser.execute_script(CLIPPED)
    return said
