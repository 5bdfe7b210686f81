"""The local page in a real browser: from a click to the list, the report and its files."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tests.browser.conftest import serious

pytestmark = pytest.mark.browser

WAIT_MS = 60_000
QUERY = "pool?at=36.9%2C+-91.2&name=Kestrel+Ford&radiusKm=40&asOf=2026-06-01&checklist=lepomis"


def build(page: Any, name: str, radius: str) -> None:
    page.get_by_label("Latitude, longitude").fill("36°54′N 91°12′W")
    page.get_by_label("Name of the water").fill(name)
    page.get_by_label("Radius in km").fill(radius)
    page.get_by_label("As of").fill("2026-06-01")
    page.get_by_role("button", name="Build the list").click()
    page.wait_for_selector("table.pool", timeout=WAIT_MS)


def test_click_list_report_download_compare(
    visit: Callable[..., Any], local_page: str, tmp_path: Path
) -> None:
    sheet = visit(local_page)
    page = sheet.page
    page.wait_for_selector("#where canvas")
    page.locator("#where").click(position={"x": 300, "y": 200})
    latitude, longitude = page.get_by_label("Latitude, longitude").input_value().split(", ")
    assert 30 < float(latitude) < 45
    assert -100 < float(longitude) < -80
    build(page, "Kestrel Ford", "40")
    assert page.get_by_role("heading", level=1).inner_text() == "Kestrel Ford"
    first = page.url
    assert "at=36%C2%B054" in first

    with page.expect_download() as download:
        page.get_by_role("link", name="JSON").click()
    saved = tmp_path / "pool.json"
    download.value.save_as(saved)
    assert json.loads(saved.read_text())["site"]["radiusKm"] == 40
    page.get_by_role("button", name="Keep this water").click()
    page.get_by_text("On your list").wait_for()

    page.locator("input[name=radiusKm]").fill("20")
    page.get_by_role("button", name="Build again").click()
    page.wait_for_selector(".told", timeout=WAIT_MS)
    assert "the radius was 40 km and is 20 km" in page.locator(".told").inner_text()
    page.get_by_role("button", name="Compare").click()
    page.wait_for_selector("table.beside")
    assert page.locator("table.beside tbody tr").count() == 13

    page.go_back()
    page.wait_for_selector(".told")
    page.goto(first)  # a bookmark: the pool stands, nothing is built again
    assert page.locator("table.pool").is_visible()
    page.get_by_role("link", name="Another water").click()
    assert page.get_by_role("link", name="Kestrel Ford").count() == 3  # one water, two lists
    page.get_by_role("button", name="Remove Kestrel Ford").click()
    page.get_by_text("None yet. Build a list").wait_for()
    assert [text for text in sheet.complaints if "422" not in text] == []
    assert all(url.startswith((local_page, "data:")) for url in sheet.requests)


def test_wrong_input_is_told_beside_its_field(visit: Callable[..., Any], local_page: str, axe: str) -> None:
    page = visit(local_page).page
    page.get_by_label("Latitude, longitude").fill("95, 200")
    page.get_by_label("Radius in km").fill("far")
    page.get_by_role("button", name="Build the list").click()
    field = page.get_by_label("Latitude, longitude")
    assert field.get_attribute("aria-invalid") == "true"
    fault = page.locator(f"#{field.get_attribute('aria-describedby')}")
    assert "latitude 95 is not on the globe" in fault.inner_text()
    assert field.input_value() == "95, 200"
    near = fault.bounding_box()["y"] - field.bounding_box()["y"]
    assert 0 < near < 80
    assert "'far' is not a radius" in page.locator("#radiusKm-fault").inner_text()
    assert field.evaluate("item => item === document.activeElement")
    assert serious(page, axe) == []


@pytest.mark.parametrize(("width", "scheme"), [(1440, "light"), (360, "dark")])
def test_axe_finds_nothing_serious_on_the_form(
    visit: Callable[..., Any], local_page: str, axe: str, width: int, scheme: str
) -> None:
    page = visit(local_page, width=width, color_scheme=scheme).page
    page.wait_for_selector("#where canvas")
    assert serious(page, axe) == []
    assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_axe_finds_nothing_serious_on_result_and_comparison(
    visit: Callable[..., Any], local_page: str, axe: str
) -> None:
    page = visit(local_page + QUERY).page
    page.wait_for_selector("table.pool", timeout=WAIT_MS)
    assert serious(page, axe) == []
    page.goto(local_page + QUERY.replace("radiusKm=40", "radiusKm=20"))
    page.wait_for_selector("table.pool", timeout=WAIT_MS)
    page.get_by_role("button", name="Compare").click()
    page.wait_for_selector("table.beside")
    assert serious(page, axe) == []


def test_cancel_goes_back_to_the_form_as_it_was(visit: Callable[..., Any], local_page: str) -> None:
    page = visit(local_page + QUERY.replace("radiusKm=40", "radiusKm=77")).page
    page.get_by_role("button", name="Cancel").click()
    page.wait_for_selector("#radiusKm")
    assert page.get_by_label("Radius in km").input_value() == "77"
    assert page.get_by_label("Latitude, longitude").input_value() == "36.9, -91.2"


def test_a_town_fills_in_the_place_without_scripts(visit: Callable[..., Any], local_page: str) -> None:
    page = visit(local_page, java_script_enabled=False).page
    page.get_by_label("Town or lake").fill("West Plains")
    page.get_by_role("button", name="Find").click()
    page.get_by_role("link", name="West Plains").click()
    assert page.get_by_label("Latitude, longitude").input_value().startswith("36.728, -91.852")
    page.get_by_label("Name of the water").fill("Mill Pond")
    page.get_by_role("button", name="Build the list").click()
    page.get_by_role("link", name="See whether it is done").click()
    assert page.get_by_role("heading", level=1).inner_text() == "Mill Pond"


def test_what_is_known_and_caught_is_written_and_counts(
    visit: Callable[..., Any], local_page: str, axe: str
) -> None:
    page = visit(local_page + QUERY.replace("pool?", "notes?"), width=390).page
    page.get_by_label("Species 1", exact=True).fill("redear sunfish")
    page.get_by_label("What is known of species 1").select_option("on the agency's list")
    page.get_by_label("Date 1", exact=True).fill("some day")
    page.get_by_label("Source 1", exact=True).fill("lake list of 2019")
    page.get_by_role("button", name="Build the list with this").click()
    assert "cannot be read" in page.locator("#known-date-0-fault").inner_text()
    assert page.get_by_label("Source 1", exact=True).input_value() == "lake list of 2019"
    assert serious(page, axe) == []
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    page.get_by_label("Date 1", exact=True).fill("2019")
    page.get_by_role("button", name="Build the list with this").click()
    page.wait_for_selector("table.pool", timeout=WAIT_MS)
    assert "lake list of 2019" in page.content()


def test_a_fish_is_written_down_mended_kept_and_edited(
    visit: Callable[..., Any], local_page: str, axe: str
) -> None:
    page = visit(local_page + QUERY).page
    page.get_by_role("link", name="Weigh a fish").click(timeout=WAIT_MS)
    page.get_by_label("Name", exact=True).fill("fish 7")
    page.get_by_role("textbox", name="Dorsal soft rays").fill("eleven")
    page.get_by_role("textbox", name="Anal spines").fill("7")
    page.get_by_role("button", name="Weigh this fish").click()
    page.get_by_text("2 fields cannot be read").wait_for()
    assert serious(page, axe) == []
    page.get_by_role("textbox", name="Dorsal soft rays").fill("11")
    page.get_by_role("textbox", name="Anal spines").fill("3")
    page.get_by_role("button", name="Weigh this fish").click()
    page.get_by_role("heading", level=1, name="fish 7").wait_for()
    kept = page.url
    page.go_back()  # what was typed is there
    assert page.get_by_label("Name", exact=True).input_value() == "fish 7"
    page.go_back()  # also what was typed at first
    assert page.get_by_role("textbox", name="Dorsal soft rays").input_value() == "eleven"
    page.goto(kept)
    with page.expect_download() as download:
        page.get_by_role("link", name="posterior").click()
    assert download.value.suggested_filename.endswith("-posterior.csv")
    page.get_by_role("link", name="Edit what was seen").click()
    assert page.get_by_role("textbox", name="Dorsal soft rays").input_value() == "11"
    page.get_by_role("link", name="The list of Kestrel Ford").click()
    page.wait_for_selector("table.pool")
