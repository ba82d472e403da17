"""A report as PDF, printed by what there is: a browser on this computer, or the library WeasyPrint (extra `pdf`)."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from pathlib import Path

from farmwatch.errors import FarmwatchError
from farmwatch.files import replacing

__all__ = ["print_pdf"]

# Names of one family of browsers, which print a page without a window; the first that is found is asked.
_BROWSERS = (
    "chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome", "microsoft-edge", "msedge",
)  # fmt: skip
_PATIENCE_SECONDS = 180


def print_pdf(page: Path, target: Path) -> None:
    """Print the report `page` into the file `target`, whole or not at all.

    Raises FarmwatchError where nothing here can print, or printing fails.
    """
    browser = next((found for name in _BROWSERS if (found := shutil.which(name))), None)
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        with replacing(target) as beside:
            if browser is not None:
                _by_browser(browser, page, beside)
            else:
                _by_library(page, beside)
    except OSError as error:
        raise FarmwatchError(f"the PDF cannot be written to {target}: {error.strerror or error}") from error


def _by_browser(browser: str, page: Path, target: Path) -> None:
    with tempfile.TemporaryDirectory(prefix="farmwatch-") as folder:
        printed = Path(folder) / "report.pdf"
        command = [
            browser, "--headless", "--disable-gpu", "--no-first-run", "--disable-extensions",
            "--disable-background-networking", "--disable-component-update", "--disable-sync",
            f"--user-data-dir={folder}/profile", "--no-pdf-header-footer", f"--print-to-pdf={printed}",
        ]  # fmt: skip
        if hasattr(os, "geteuid") and os.geteuid() == 0:
            # Its sandbox refuses root. The page is ours, loads nothing and runs nothing.
            command.append("--no-sandbox")
        try:
            done = subprocess.run(
                [*command, page.resolve().as_uri()], capture_output=True, timeout=_PATIENCE_SECONDS, check=False
            )
        except subprocess.TimeoutExpired:
            raise FarmwatchError(f"{browser} did not print the report within {_PATIENCE_SECONDS} s") from None
        if not printed.is_file() or not printed.stat().st_size:
            last = done.stderr.decode("utf-8", "replace").strip().splitlines()[-1:]
            raise FarmwatchError(f"{browser} could not print the report: {''.join(last) or f'exit {done.returncode}'}")
        shutil.copyfile(printed, target)


def _by_library(page: Path, target: Path) -> None:
    try:
        import weasyprint  # type: ignore[import-not-found, unused-ignore]
    except ImportError:
        raise FarmwatchError(
            "nothing here can print a PDF: install Chromium, or WeasyPrint (pip install 'farmwatch[pdf]'); "
            "or open the HTML file in any browser and print it there"
        ) from None
    weasyprint.HTML(filename=str(page)).write_pdf(str(target))
