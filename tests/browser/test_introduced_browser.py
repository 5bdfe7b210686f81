"""The page of introduced species in a real browser: seen, searched, printed."""

from __future__ import annotations

import datetime
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from poolbuilder import Job, Store
from poolbuilder.introduced import Run, Season, find_introduced
from poolbuilder.introduced.report import render, write_run
from poolbuilder.places.sites import read_waters
from tests.browser.conftest import serious
from tests.test_introduced import DEMO, QUICK, REGIONS, hostile

pytestmark = pytest.mark.browser

NEW = ("Nolmteich", "Ilkenlanke", "Elggrund")


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Run:
    """Both seasons at once, since the first of May 2026, at some lakes."""
    store = Store(tmp_path_factory.mktemp("lakes") / "store")
    store.add([DEMO / "season_2025.zip", DEMO / "season_2026.zip"], settings=QUICK)
    sites = [
        site
        for number, site in enumerate(read_waters(DEMO / "waters.csv"))
        if site.name in NEW or number % 9 == 0
    ]
    job = Job(
        site=sites[0],
        as_of=datetime.date(2026, 10, 31),
        checklist=str(DEMO / "fishes.csv"),
        store=store.path,
        settings=QUICK,
        water=str(DEMO / "outlines.geojson"),
        region_lists=(REGIONS,),
    )
    return find_introduced(sites, job, season=Season(since=datetime.date(2026, 5, 1)))


@pytest.fixture(scope="module")
def page_file(run: Run, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_run(run, tmp_path_factory.mktemp("page") / "out") / "introduced.html"


def test_what_is_new_and_where_stands_in_the_first_screen(visit: Callable[..., Any], page_file: Path) -> None:
    sheet = visit(page_file, width=1400, height=900)
    for selector in ("h1", ".findings", ".doubts", ".i-all .i-overview", ".i-arrival h3"):
        box = sheet.page.locator(selector).first.bounding_box()
        assert box["y"] + box["height"] <= 900, selector
    assert sheet.page.locator("h1").inner_text().startswith("New in 3 waters")
    labels = sheet.page.locator(".i-all .i-name").all_text_contents()
    assert set(labels) <= set(NEW)
    assert sheet.page.locator(".i-all .i-overview path.i-new").count() == 3
    assert [url for url in sheet.requests if not url.startswith("data:")] == [page_file.as_uri()]
    assert sheet.complaints == []


def test_finding_a_water_or_a_species(visit: Callable[..., Any], page_file: Path, run: Run) -> None:
    page = visit(page_file).page
    lines = page.locator(".i-line:visible")
    whole = lines.count()
    find = page.get_by_label("Find a water, a species or a county")
    find.fill("NOLMteich")
    assert lines.locator("th a").all_inner_texts() == ["Nolmteich"]
    assert page.locator("#shown").inner_text() == "1 water"
    find.fill("asp")
    assert 0 < lines.count() < whole
    find.fill("")
    page.get_by_label("only what is new").check()
    news = {water["number"] for water in run.waters for row in water["introduced"] if row["news"]}
    assert lines.count() == len(news) >= len({water["number"] for water, _ in run.new()})
    find.fill("nothing of the kind")
    assert lines.count() == 0
    page.locator(".i-arrival a", has_text="Elggrund").first.click()
    assert page.locator(".i-card:visible h2", has_text="Elggrund").count() == 1
    assert page.url.startswith("file:")
    page.get_by_role("link", name="All").click()
    assert page.locator("h1").inner_text().startswith("New in 3 waters")


def test_without_scripts_everything_is_there(visit: Callable[..., Any], page_file: Path) -> None:
    page = visit(page_file, java_script_enabled=False).page
    assert page.locator(".i-lines").first.locator(".i-line:visible").count() > 5
    assert page.locator("#rest summary:visible").count() == page.locator("#rest").count()
    assert page.locator("#controls:visible").count() == 0


def test_hostile_texts_do_nothing(visit: Callable[..., Any], run: Run, tmp_path: Path) -> None:
    path = tmp_path / "hostile.html"
    path.write_text(render(hostile(run)), encoding="utf-8")
    sheet = visit(path)
    assert sheet.complaints == []
    assert "<script>alert(1)</script>" in sheet.page.locator("body").inner_text()


def test_it_prints(visit: Callable[..., Any], page_file: Path) -> None:
    page = visit(page_file).page
    page.emulate_media(media="print")
    assert page.locator("#controls:visible").count() == 0
    assert page.locator(".doubts:visible").count() == 1
    assert page.pdf(format="A4")[:5] == b"%PDF-"


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_it_fits_every_window_and_axe_finds_nothing_serious(
    visit: Callable[..., Any], page_file: Path, axe: str, scheme: str
) -> None:
    page = visit(page_file, color_scheme=scheme, bypass_csp=True).page
    for width in (360, 768, 1920):
        page.set_viewport_size({"width": width, "height": 900})
        assert page.evaluate("document.documentElement.scrollWidth") <= width
    page.set_viewport_size({"width": 1440, "height": 900})
    assert serious(page, axe) == []
