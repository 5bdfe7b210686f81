"""Debian's Chromium, driven by Playwright; it may be missing on a developer's machine, not in CI."""

from __future__ import annotations

import math
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from poolbuilder.pages.pool_page import render
from tests.pools import invented_pool

CHROMIUM = Path(os.environ.get("CHROMIUM_PATH", "/usr/bin/chromium"))
ARGUMENTS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
MUST = bool(os.environ.get("CI"))


def missing(what: str) -> None:
    if MUST:
        pytest.fail(f"{what} is missing, and may not be in CI")
    pytest.skip(f"{what} is missing")


# Not for the session: while Playwright runs, no other test can have an event loop of its own.
@pytest.fixture(scope="package")
def browser() -> Iterator[Any]:
    if not CHROMIUM.exists():
        missing("Chromium (apt-get install chromium)")
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        missing("playwright (pip install playwright)")
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=str(CHROMIUM), args=ARGUMENTS)
        yield chromium
        chromium.close()


class Sheet:
    """A page with what it asked for and what it complained of."""

    def __init__(self, page: Any) -> None:
        self.page = page
        self.requests: list[str] = []
        self.complaints: list[str] = []
        page.on("request", lambda request: self.requests.append(request.url))
        page.on("pageerror", lambda error: self.complaints.append(str(error)))
        page.on("console", lambda message: self.complaints.append(message.text))
        page.on("dialog", lambda dialog: (self.complaints.append(dialog.message), dialog.dismiss()))


@pytest.fixture
def visit(browser: Any) -> Iterator[Callable[..., Sheet]]:
    contexts = []

    def go(address: str | Path, *, width: int = 1440, height: int = 900, **options: Any) -> Sheet:
        context = browser.new_context(viewport={"width": width, "height": height}, **options)
        contexts.append(context)
        sheet = Sheet(context.new_page())
        sheet.page.goto(address.as_uri() if isinstance(address, Path) else address)
        return sheet

    yield go
    for context in contexts:
        context.close()


@pytest.fixture(scope="session")
def report_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("report") / "report.html"
    path.write_text(render(invented_pool()), encoding="utf-8")
    return path


@pytest.fixture(scope="session")
def axe() -> str:
    """The accessibility checker's script; `AXE_PATH` says where it lies."""
    named = os.environ.get("AXE_PATH")
    if not named or not Path(named).is_file():
        missing("axe-core (npm install axe-core, then AXE_PATH=…/axe.min.js)")
    return Path(str(named)).read_text(encoding="utf-8")


def serious(page: Any, axe: str) -> list[str]:
    """What axe-core finds serious or critical, in words."""
    page.evaluate(axe)
    found = page.evaluate("axe.run(document, {resultTypes: ['violations']})")
    return [
        f"{item['id']}: {item['help']}: {node['html'][:160]}"
        for item in found["violations"]
        if item["impact"] in {"serious", "critical"}
        for node in item["nodes"]
    ]


def records() -> str:
    """Forty invented records of four sunfishes around 36.9 N, 91.2 W."""
    lines = ["occurrenceID,basisOfRecord,scientificName,decimalLatitude,decimalLongitude,eventDate"]
    for number in range(40):
        name = ("macrochirus", "cyanellus", "megalotis", "gulosus")[number % 4]
        angle, far = 2.4 * number, 0.01 * number
        lines.append(
            f"r{number},HumanObservation,Lepomis {name},{36.9 + far * math.sin(angle):.4f},"
            f"{-91.2 + far * math.cos(angle):.4f},{1986 + number}-05-12"
        )
    return "\n".join(lines) + "\n"


@pytest.fixture(scope="session")
def local_page(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The address of a running `poolbuilder page` over a few invented records."""
    folder = tmp_path_factory.mktemp("page")
    (folder / "records.csv").write_text(records(), encoding="utf-8")
    command = [sys.executable, "-m", "poolbuilder"]
    subprocess.run(
        [*command, "add", "records.csv", "--store", "store"], cwd=folder, check=True, capture_output=True
    )
    options = ["--store", "store", "--folder", "pools", "--no-open"]
    with (folder / "log").open("wb") as log:
        process = subprocess.Popen(
            [*command, "page", *options], cwd=folder, stderr=subprocess.PIPE, stdout=log
        )
        assert process.stderr is not None
        try:
            found = re.search(r"http\S+", process.stderr.readline().decode())
            assert found is not None
            yield found[0]
        finally:
            process.terminate()
            process.wait(10)
            process.stderr.close()


@pytest.fixture(scope="session")
def pdf_text() -> Callable[[Path], str]:
    program = shutil.which("pdftotext")
    if program is None:
        missing("pdftotext (apt-get install poppler-utils)")

    def text(path: Path) -> str:
        ran = subprocess.run([str(program), "-layout", str(path), "-"], check=True, capture_output=True)
        return ran.stdout.decode()

    return text
