"""The report in a real browser: seen, clicked, typed at, printed."""

from __future__ import annotations

import re
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from poolbuilder import pool_at
from poolbuilder.pages.pool_page import render
from tests.browser.conftest import serious
from tests.pools import SPECIES, invented_pool
from tests.test_report import HOSTILE, hostile_pool
from tests.test_spreadsheet import catches_of

pytestmark = pytest.mark.browser

DRAWN = "new Promise(done => requestAnimationFrame(() => requestAnimationFrame(done)))"
NAMES = "table.pool > tbody > tr:visible > th.name i"


def link(page: Any, name: str) -> Any:
    return page.locator("th.name a", has_text=name)


def test_report_asks_for_nothing(visit: Callable[..., Any], report_file: Path) -> None:
    sheet = visit(report_file)
    sheet.page.wait_for_function("window.poolMap !== undefined")
    link(sheet.page, "bluegill").click()
    assert [url for url in sheet.requests if not url.startswith("data:")] == [report_file.as_uri()]
    assert sheet.complaints == []


def test_mouse_from_row_to_map_to_reasons(visit: Callable[..., Any], report_file: Path) -> None:
    page = visit(report_file).page
    link(page, "longear").click()
    opened = page.locator("tr.open-row .dossier")
    assert opened.count() == 1
    assert "Why Lepomis megalotis, longear sunfish, is at 81" in opened.inner_text()
    assert "detected at 33 of 99 sampling sites within 40 km" in opened.inner_text()
    assert "One more complete list of this water" in opened.inner_text()
    assert page.locator("#mapped").inner_text() == "Lepomis megalotis: 33 events within reach."
    assert page.url.endswith("#why-2")
    assert opened.locator(".events-list tbody tr").count() == 5
    opened.get_by_role("button", name="Show all 33 events").click()
    assert opened.locator(".events-list tbody tr").count() == 33
    link(page, "longear").click()
    assert page.locator("tr.open-row").count() == 0


def test_keyboard_does_the_same(visit: Callable[..., Any], report_file: Path) -> None:
    page = visit(report_file).page
    link(page, "bluegill").focus()
    page.keyboard.press("ArrowDown")
    page.keyboard.press("ArrowDown")
    page.keyboard.press("Enter")
    assert "Lepomis megalotis" in page.locator("tr.open-row h3").inner_text()
    assert link(page, "longear").get_attribute("aria-expanded") == "true"
    page.keyboard.press("End")
    page.keyboard.press("Space")
    assert "Lepomis miniatus" in page.locator("tr.open-row h3").inner_text()  # the last that is not folded
    page.keyboard.press("Escape")
    assert page.locator("tr.open-row").count() == 0


def test_bookmark_of_a_species_opens_it(visit: Callable[..., Any], report_file: Path) -> None:
    page = visit(f"{report_file.as_uri()}#why-3").page
    page.wait_for_selector("tr.open-row")
    assert "Lepomis gulosus" in page.locator("tr.open-row h3").inner_text()


def test_link_at_the_top_unfolds_what_was_left_out(visit: Callable[..., Any], report_file: Path) -> None:
    page = visit(report_file).page
    assert not page.locator("#left-out table").is_visible()
    page.get_by_role("link", name="What was left out").click()
    assert page.locator("#left-out table").is_visible()
    assert page.locator("#left-out").bounding_box()["y"] < 900


def test_mark_on_the_map_opens_its_species(visit: Callable[..., Any], tmp_path: Path) -> None:
    pool = invented_pool()
    event = next(row for row in pool.evidence.to_pylist() if row["scientificName"].endswith("humilis"))
    alone = event | {
        "longitude": -89.2,
        "latitude": 37.7,
        "coordinateUncertaintyInMeters": 50.0,
        "kind": "record",
    }
    path = tmp_path / "one.html"
    path.write_text(render(invented_pool(evidence=[alone])), encoding="utf-8")
    page = visit(path).page
    page.wait_for_selector("#map canvas")
    page.evaluate("scrollTo(0, 0)")
    # 0.1 degrees north of the middle: find the mark by its colour, as an eye would.
    box = page.locator("#map").bounding_box()
    found = False
    for up in range(4, 120, 2):
        page.mouse.click(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2 - up)
        page.evaluate(DRAWN)  # else a slow machine counts a popup that the next click closes
        if page.locator(".leaflet-popup").count():
            found = True
            break
    assert found
    assert "Lepomis humilis" in page.locator(".leaflet-popup").inner_text()
    assert "placed to within 50 m" in page.locator(".leaflet-popup").inner_text()
    assert "Lepomis humilis" in page.locator("tr.open-row h3").inner_text()


def test_sort_and_unfold(visit: Callable[..., Any], report_file: Path) -> None:
    page = visit(report_file).page
    likely = [row[0] for row in SPECIES if row[2] >= 0.1]
    assert page.locator(NAMES).all_inner_texts() == likely
    page.get_by_role("button", name="Show them in the list").click()
    table = page.locator("table.pool > thead")
    table.get_by_role("button", name="Species").click()
    names = page.locator(NAMES).all_inner_texts()
    assert names == sorted(row[0] for row in SPECIES)
    assert table.locator("th.name").get_attribute("aria-sort") == "ascending"
    table.get_by_role("button", name="Why").click()
    reasons = page.locator("table.pool > tbody > tr td.nearest").all_inner_texts()
    assert "No record within reach" in reasons[-1] or "without a record" in reasons[-1]  # unknown comes last


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_print_is_two_pages_and_everything_on_request(
    visit: Callable[..., Any], report_file: Path, paper: str, tmp_path: Path, pdf_text: Callable[[Path], str]
) -> None:
    page = visit(report_file).page
    page.pdf(path=str(tmp_path / "print.pdf"), format=paper)
    assert len(re.findall(rb"/Type\s*/Page\b", (tmp_path / "print.pdf").read_bytes())) == 2
    text = pdf_text(tmp_path / "print.pdf")
    for name, vernacular, presence, *_ in SPECIES:
        assert vernacular in text
        assert (name in text) == (presence >= 0.1)
    assert "Invented Agency (2024)" in text
    assert "sameWaterKm" not in text
    assert "Do not move live fish" in text
    page.evaluate("document.body.classList.add('print-all')")
    page.pdf(path=str(tmp_path / "all.pdf"), format=paper)
    text = pdf_text(tmp_path / "all.pdf")
    for name, vernacular, *_ in SPECIES:
        assert f"Why {name}, {vernacular}" in text
    assert text.count(" × ") >= 78  # every pair, not only the first ten
    assert "sameWaterKm" in text


@pytest.mark.parametrize("source", ["demo", "surveys"])
def test_a_spreadsheet_of_catches_prints_on_two_pages(
    visit: Callable[..., Any], tmp_path: Path, pdf_text: Callable[[Path], str], source: str
) -> None:
    """The same as README's commands; a page of 216 by 279 mm."""
    path, (latitude, longitude), _ = catches_of(source, tmp_path)
    pool = pool_at(float(latitude), float(longitude), records=path, as_of="2026-06-01")
    (tmp_path / "report.html").write_text(render(pool), encoding="utf-8")
    page = visit(tmp_path / "report.html").page
    page.pdf(path=str(tmp_path / "print.pdf"), format="Letter")
    assert len(re.findall(rb"/Type\s*/Page\b", (tmp_path / "print.pdf").read_bytes())) == 2
    first, second = pdf_text(tmp_path / "print.pdf").split("\f")[:2]
    assert "Could be" in first
    for words in ("Do not move live fish", "Whom to cite"):
        assert words in second


@pytest.mark.parametrize(("width", "scheme"), [(1440, "light"), (768, "dark"), (360, "light")])
def test_everything_fits_and_axe_finds_nothing_serious(
    visit: Callable[..., Any], report_file: Path, axe: str, width: int, scheme: str
) -> None:
    """No text over another in the list, nothing out of the window, nothing that some cannot use."""
    page = visit(report_file, width=width, height=800, color_scheme=scheme).page
    link(page, "bluegill").click()
    wide = page.evaluate(
        """Array.from(document.querySelectorAll("table.pool > tbody > tr:not(.open-row) > *, .map-side"))
        .filter(cell => cell.offsetParent && cell.scrollWidth > cell.clientWidth + 1)
        .map(cell => cell.innerText)"""
    )
    assert wide == []
    table, side = (page.locator(name).first.bounding_box() for name in ("table.pool", ".map-side"))
    assert table["x"] + table["width"] <= side["x"] or table["y"] + table["height"] <= side["y"] + 1
    page.evaluate("document.querySelectorAll('#fine-print details').forEach(item => { item.open = true; })")
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert serious(page, axe) == []


def test_hostile_names_do_nothing(visit: Callable[..., Any], tmp_path: Path) -> None:
    path = tmp_path / "hostile.html"
    path.write_text(render(hostile_pool("".join(HOSTILE))), encoding="utf-8")
    sheet = visit(path)
    sheet.page.wait_for_selector("#map canvas")
    sheet.page.locator("th.name a").nth(5).click()
    assert "</script><script>alert(1)</script>" in sheet.page.locator("tr.open-row h3").inner_text()
    assert sheet.complaints == []
    assert [url for url in sheet.requests if not url.startswith("data:")] == [path.as_uri()]


def test_twenty_thousand_events_stay_fluent(visit: Callable[..., Any], tmp_path: Path) -> None:
    path = tmp_path / "large.html"
    path.write_text(render(invented_pool(many=120)), encoding="utf-8")
    page = visit(path).page
    page.wait_for_selector("#map canvas")
    started = time.monotonic()
    link(page, "bluegill").click()
    page.wait_for_selector("tr.open-row")
    page.evaluate(DRAWN)
    assert time.monotonic() - started < 3
    assert "7,320 events within reach, the nearest 1,000 drawn" in page.locator("#mapped").inner_text()
    assert page.locator(".open-row").get_by_role("button", name="Show the nearest 1,000 events").count() == 1


def test_without_script_everything_can_be_read(visit: Callable[..., Any], report_file: Path) -> None:
    page = visit(report_file, java_script_enabled=False).page
    for number in (0, 5, 12):
        assert page.locator(f"#why-{number}").is_visible()
    assert page.locator(".sheet-map").is_visible()
    assert page.locator("table.pool > tbody > tr").count() == 13
