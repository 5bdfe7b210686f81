"""A job as somebody asks for it."""

from __future__ import annotations

import datetime
import json
from pathlib import Path

import pytest

import poolbuilder
from poolbuilder import Job, PoolBuilderError, Settings, Site, Store, read_pool, write_pool
from poolbuilder.pages.pool_page import render
from poolbuilder.settings import read_calibration
from poolbuilder.words import pool_words

RECORDS = Path(poolbuilder.__file__).parent / "demo_data" / "records.zip"
FITTED = """
[settings]
reachKm = 80

[calibration]
title = "an invented survey"
words = "calibrated on 40 invented waters"
"""


@pytest.fixture
def fitted(tmp_path: Path) -> Path:
    path = tmp_path / "settings.toml"
    path.write_text(FITTED, encoding="utf-8")
    return path


def job(**more: object) -> Job:
    site = Site(longitude=-91.2, latitude=36.9)
    return Job(site=site, as_of=datetime.date(2026, 6, 1), records=[RECORDS], **more)  # type: ignore[arg-type]


def test_a_pool_says_how_it_is_calibrated(fitted: Path, tmp_path: Path) -> None:
    built = job(settings=Settings.from_toml(fitted), calibration=read_calibration(fitted)).run()
    assert built.calibration == {"title": "an invented survey", "words": "calibrated on 40 invented waters"}
    again = read_pool(write_pool(built, tmp_path / "pool"))
    assert again.calibration == built.calibration
    page = render(again)
    assert "Calibrated on 40 invented waters" in page
    assert pool_words.UNCALIBRATED not in page


def test_without_a_calibration_it_says_so(demo_pool: poolbuilder.Pool) -> None:
    assert demo_pool.calibration is None
    assert pool_words.UNCALIBRATED in render(demo_pool)


def test_a_calibration_that_is_no_table_is_named(tmp_path: Path) -> None:
    path = tmp_path / "s.toml"
    path.write_text("calibration = 3\n")
    with pytest.raises(PoolBuilderError, match="calibration is not a table"):
        read_calibration(path)
    path.write_text("reachKm = 3\n")
    assert read_calibration(path) is None


def test_outlines_are_drawn_around_the_water(tmp_path: Path) -> None:
    near = [[-92, 36.5], [-91, 36.5], [-91, 37.5], [-92, 37.5], [-92, 36.5]]
    far = [[10, 50], [11, 50], [11, 51], [10, 51], [10, 50]]
    shapes = [
        {"type": "Feature", "properties": {}, "geometry": {"type": "Polygon", "coordinates": [ring]}}
        for ring in (near, far)
    ]
    path = tmp_path / "states.geojson"
    path.write_text(json.dumps({"type": "FeatureCollection", "features": shapes}))
    built = job(outlines=str(path)).run()
    assert len(built.features["states"]) == 1
    assert {item["kind"] for item in built.inputs} >= {"outlines"}
    assert render(built) == render(read_pool(write_pool(built, tmp_path / "pool")))


def stored(tmp_path: Path, **more: object) -> Job:
    store = Store(tmp_path / "store")
    if store.is_empty:
        store.add([RECORDS])
    site = Site(longitude=-91.2, latitude=36.9)
    return Job(site=site, as_of=datetime.date(2026, 6, 1), store=store.path, **more)  # type: ignore[arg-type]


def kept(tmp_path: Path) -> list[Path]:
    return sorted((tmp_path / "store" / "regions").glob("*/*.region"))


def test_a_region_that_was_learnt_is_used_by_the_next_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    first = stored(tmp_path).run()
    assert len(kept(tmp_path)) == 1
    with monkeypatch.context() as patch:
        patch.setattr("poolbuilder.job.learn_region", None)
        assert stored(tmp_path).run().candidates == first.candidates
        with pytest.raises(TypeError):  # other settings want another region
            stored(tmp_path, settings=Settings(region_km=200.0)).run()
    path = kept(tmp_path)[0]
    whole = path.read_bytes()
    for damaged in (b"", b"PK no file", whole[: len(whole) // 2], whole[:900] + b"x" + whole[901:]):
        path.write_bytes(damaged)
        assert stored(tmp_path).run().candidates == first.candidates
        assert path.read_bytes() == whole


def test_regions_of_an_earlier_store_are_dropped(tmp_path: Path) -> None:
    stored(tmp_path).run()
    before = kept(tmp_path)
    more = tmp_path / "more.csv"
    more.write_text(
        "occurrenceID,scientificName,decimalLatitude,decimalLongitude,eventDate,basisOfRecord\n"
        "x:1,Lepomis auritus,36.9,-91.2,2020-05-01,HumanObservation\n"
    )
    Store(tmp_path / "store").add([more])
    stored(tmp_path).run()
    assert len(kept(tmp_path)) == 1
    assert kept(tmp_path) != before
