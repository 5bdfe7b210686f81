"""Make demo/report.png: the demo's report as a browser shows it.

``python demo/make_screenshot.py`` needs Chromium and the packages of ``poolbuilder[test]``.
"""

from __future__ import annotations

import os
import shutil
import tempfile
from pathlib import Path

from playwright.sync_api import sync_playwright

from poolbuilder.demonstration import demo_pool
from poolbuilder.pages import write_page
from poolbuilder.pages.pool_page import render

HERE = Path(__file__).parent
ARGUMENTS = ["--disable-gpu", "--no-first-run", "--disable-background-networking", "--disable-sync"]


def main() -> None:
    """Build the demo's pool, open its report and keep what stands in the first screen."""
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as started:
        page_file = write_page(render(demo_pool()), Path(folder) / "report.html")
        arguments = [*ARGUMENTS, *(["--no-sandbox"] if os.geteuid() == 0 else [])]
        browser = started.chromium.launch(executable_path=shutil.which("chromium"), args=arguments)
        page = browser.new_page(viewport={"width": 1280, "height": 1010}, color_scheme="light")
        page.goto(page_file.as_uri())
        page.wait_for_selector("#map canvas")
        page.wait_for_timeout(500)
        page.screenshot(path=str(HERE / "report.png"))
        browser.close()


if __name__ == "__main__":
    main()
