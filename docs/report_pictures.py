"""The pictures of docs/report, taken of the demo's reports in the system's own Chromium.

python -m docs.report_pictures

They bear the date they were taken on, so no test compares them: take them again when the report's
page changes.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

from playwright.sync_api import sync_playwright

from verify.cli.demo_images import unpack

if TYPE_CHECKING:
    from playwright.sync_api import Browser

PICTURES = {
    "first-page": ("sound", "section.first"),
    "picture": ("sound", "figure >> nth=0 >> svg"),
    "places": ("faulty", "figure >> nth=1 >> svg"),
}
"""Of each picture: the new drive of the report that it shows, and the part of the page."""

_WIDTH, _HEIGHT = 900, 1200
"""Of the screen, in CSS pixels."""


def take_pictures(into: Path) -> None:
    """Write the pictures into a folder."""
    with TemporaryDirectory() as folder, sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=shutil.which("chromium"))
        for name, (target, part) in PICTURES.items():
            _take(browser, _report(target, Path(folder)), part, into / f"{name}.png")
        browser.close()


def _report(target: str, folder: Path) -> Path:
    """Check the old drive of the demo against a new one, and return the report's page."""
    page = folder / f"{target}.html"
    if not page.exists():
        drives = (unpack("old", folder), unpack(target, folder))
        command = [sys.executable, "-m", "verify", "check", *map(str, drives)]
        subprocess.run(  # noqa: S603 - this interpreter, this package
            [*command, "--report", str(page)], check=False, capture_output=True
        )
    return page


def _take(browser: Browser, report: Path, part: str, picture: Path) -> None:
    page = browser.new_page(viewport={"width": _WIDTH, "height": _HEIGHT})
    page.goto(report.as_uri())
    page.locator(part).screenshot(path=picture)
    page.close()


if __name__ == "__main__":
    take_pictures(Path(__file__).parent / "report")
