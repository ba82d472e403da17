"""The pictures of the README: page 1, a work sheet, the fleet and the telephone, of the invented farm's report.

    python -m tests.pictures            # writes reports/sample/*.png

It plays the demo as of one fixed morning, so that the pictures change only where the report does.
"""

from __future__ import annotations

import argparse
import base64
import tempfile
from datetime import UTC, datetime
from pathlib import Path

from selenium import webdriver

from farmwatch.config import load_settings
from farmwatch.demo import run_demo
from farmwatch.report import Week, write_report
from farmwatch.store import Store
from tests.browser import show, start_browser

NOW = datetime(2026, 11, 23, 7, tzinfo=UTC)
WEEK = Week(2026, 47)
# 184 mm of paper in CSS pixels.
PAPER = 695
# Nothing but the element that is shown, with a margin.
ALONE = (
    "const e = document.querySelector(arguments[0]); document.querySelector('main').replaceChildren(e);"
    "e.style.margin = 0; document.body.style.padding = '14px'"
)
PAGES = '\n[pages]\nurl = "https://beds.saltmarsh.example"\n'


def main() -> None:
    """Play, write, photograph."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--to", type=Path, default=Path("reports/sample"))
    target = parser.parse_args().to
    target.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as folder:
        played = run_demo(Path(folder) / "farm", now=NOW)
        with played.config.open("a", encoding="utf-8") as config:
            config.write(PAGES)
        settings = load_settings(played.config)
        page = write_report(settings, Store(settings.farm.database), NOW, WEEK)
        browser = start_browser(Path(folder) / "profile")
        try:
            for name, selector in (("page-1", ".front"), ("work-sheet", ".machine"), ("fleet", ".fleet")):
                show(browser, page.as_uri(), width=PAPER + 28)
                browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print", "features": []})
                browser.execute_script(ALONE, selector)
                photograph(browser, "body", target / f"{name}.png")
            browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "", "features": []})
            show(browser, page.as_uri(), width=360, height=760)
            photograph(browser, "body", target / "telephone.png", tall=1100)
        finally:
            browser.quit()
    for picture in sorted(target.glob("*.png")):
        print(f"{picture}: {picture.stat().st_size / 1000:.0f} kB")


def photograph(browser: webdriver.Chrome, selector: str, target: Path, *, tall: float = 0) -> None:
    """The first element that a selector finds; tall: no more than so much of it."""
    left, top, wide, high = browser.execute_script(
        "const r = document.querySelector(arguments[0]).getBoundingClientRect();"
        "return [r.left + scrollX, r.top + scrollY, r.width, r.height]",
        selector,
    )
    clip = {"x": left, "y": top, "width": wide, "height": min(high, tall) if tall else high, "scale": 1}
    shot = browser.execute_cdp_cmd(
        "Page.captureScreenshot", {"format": "png", "captureBeyondViewport": True, "clip": clip}
    )
    target.write_bytes(base64.b64decode(shot["data"]))


if __name__ == "__main__":
    main()
