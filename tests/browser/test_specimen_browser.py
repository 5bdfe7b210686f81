"""The page of one fish in a real browser: quiet, readable on a telephone, printable."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest

from poolbuilder import Settings
from poolbuilder.fish.answer import field_sheet, identify, render
from poolbuilder.fish.characters import read_traits
from poolbuilder.fish.notes import parse_fish
from tests.browser.conftest import Sheet
from tests.pools import invented_pool
from tests.test_specimen import HYBRID

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    table = read_traits()
    fish = parse_fish(HYBRID, table, settings=Settings())
    path = tmp_path_factory.mktemp("fish") / "specimen.html"
    path.write_text(render(identify(invented_pool(), fish, table)), encoding="utf-8")
    return path


@pytest.mark.parametrize(("width", "scheme"), [(1440, "light"), (390, "dark")])
def test_the_page_is_quiet_and_fits(page: Path, visit: Callable[..., Sheet], width: int, scheme: str) -> None:
    sheet = visit(page, width=width, color_scheme=scheme)
    assert sheet.requests == [page.as_uri()]
    assert sheet.complaints == []
    assert sheet.page.evaluate("document.documentElement.scrollWidth") <= width
    assert sheet.page.locator("h1").inner_text() == "fish 7"
    assert (
        sheet.page.evaluate("getComputedStyle(document.querySelector('.ranked')).borderBottomStyle")
        == "solid"
    )


def test_the_page_prints(page: Path, visit: Callable[..., Sheet]) -> None:
    sheet = visit(page)
    assert sheet.page.pdf(format="A4").startswith(b"%PDF")


def test_the_field_sheet_prints_on_one_page(visit: Callable[..., Sheet], tmp_path: Path) -> None:
    table = read_traits()
    fish = parse_fish("[fish]", table, settings=Settings())
    (tmp_path / "sheet.html").write_text(
        field_sheet(identify(invented_pool(), fish, table)), encoding="utf-8"
    )
    sheet = visit(tmp_path / "sheet.html")
    printed = sheet.page.pdf(format="A4")
    assert len(re.findall(rb"/Type\s*/Page\b", printed)) == 1
    assert sheet.page.locator("svg.character").count() >= 8


def test_letter_and_bars_are_there_without_a_script(page: Path, visit: Callable[..., Sheet]) -> None:
    sheet = visit(page, java_script_enabled=False)
    letter = sheet.page.locator(".letter").inner_text()
    assert letter.startswith("What is this sunfish? fish 7")
    assert "what have I missed?" in letter
    assert sheet.page.locator("svg.speaks").count() > 50
