"""What the model promises of one water, through `poolbuilder.build` and the command line."""

from __future__ import annotations

import datetime
import functools
import itertools
import json
import math
import random
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import poolbuilder
from poolbuilder import Checklist, Pool, RangeMap, Site, Water
from poolbuilder.cli import main
from tests.rows import records

LON, LAT = -90.5, 38.5
TODAY = datetime.date(2026, 6, 1)
LEPOMIS = Checklist.load("lepomis")
GREEN, BLUEGILL, WARMOUTH = "Lepomis cyanellus", "Lepomis macrochirus", "Lepomis gulosus"
REDEAR, LONGEAR = "Lepomis microlophus", "Lepomis megalotis"
OTHERS = (
    "Semotilus atromaculatus",
    "Campostoma anomalum",
    "Etheostoma spectabile",
    "Catostomus commersonii",
    "Micropterus salmoides",
)
SITE = Site(longitude=LON, latitude=LAT, radius_km=40, name="Mill Pond")


def made(event: str, *names: str, km: float = 0.0, east_km: float = 0.0, **more: Any) -> list[dict[str, Any]]:
    """One sampling event with these names, so many km north and east of the site."""
    return [
        {
            "recordKey": f"{event}/{name}",
            "occurrenceID": f"{event}/{name}",
            "eventID": event,
            "scientificName": name,
            "decimalLongitude": LON + east_km / (111.2 * math.cos(math.radians(LAT))),
            "decimalLatitude": LAT + km / 111.2,
            "geodeticDatum": "WGS84",
            "coordinateUncertaintyInMeters": 30.0,
            "eventDate": "2020-06-01",
            "datasetKey": "surveys",
            "basisOfRecord": "PreservedSpecimen",
        }
        | more
        for name in names
    ]


@functools.cache
def _around(seed: int, held: tuple[tuple[str, float], ...]) -> tuple[tuple[tuple[str, Any], ...], ...]:
    """Complete lists of eighty streams 8 to 120 km off; each candidate lives in its share of them."""
    rng = random.Random(seed)
    rows: list[dict[str, Any]] = []
    for i in range(80):
        angle, away = rng.uniform(0, 2 * math.pi), rng.uniform(8, 120)
        names = [name for name in OTHERS if rng.random() < 0.7] or [OTHERS[0]]
        names += [name for name, share in held if rng.random() < share]
        rows += made(f"around-{i}", *names, km=away * math.cos(angle), east_km=away * math.sin(angle),
                     samplingProtocol="electrofishing", eventDate=f"20{5 + i % 20:02d}-07-01")  # fmt: skip
    return tuple(tuple(row.items()) for row in rows)


def around(seed: int = 1, **held: float) -> list[dict[str, Any]]:
    shares = {GREEN: 0.5, BLUEGILL: 0.4, LONGEAR: 0.3} | {f"Lepomis {name}": x for name, x in held.items()}
    return [dict(row) for row in _around(seed, tuple(sorted(shares.items())))]


def build(rows: list[dict[str, Any]], site: Site = SITE, as_of: datetime.date = TODAY, **more: Any) -> Pool:
    return poolbuilder.build(site, records(*rows), checklist=LEPOMIS, as_of=as_of, **more)


def presence(pool: Pool, name: str = GREEN) -> float:
    return float(pool[name]["presence"])


def logit(p: float) -> float:
    return math.log(p / (1 - p))


# -- the argument --------------------------------------------------------------------------


def test_parts_sum_to_presence_and_every_interval_holds_it() -> None:
    known = [(WARMOUTH, True, 2015.0, "agency"), (GREEN, False, 2020.0, "owner")]
    crowd = [
        row
        for year in range(2001, 2009)
        for row in made(f"own-{year}", *OTHERS, GREEN, eventDate=f"{year}-06-01")
    ]
    for pool in (build([]), build(around()), build([*around(), *crowd], statements=known)):
        for row in pool:
            told = sum(part["logOdds"] for part in pool.reasons(row["scientificName"]))
            assert told == pytest.approx(logit(row["presence"]), abs=1e-9)
            assert 0 < row["presenceLow"] <= row["presence"] <= row["presenceHigh"] < 1
            assert row["presenceHigh"] - row["presenceLow"] > 1e-4
        assert len(pool) == len(LEPOMIS.species)


def test_row_order_does_not_matter() -> None:
    rows = [*around(), *made("own", *OTHERS, GREEN), *made("late", *OTHERS, eventDate="2022-06-01")]
    shuffled = list(rows)
    random.Random(3).shuffle(shuffled)
    one, other = build(rows), build(shuffled)
    for row in one:
        again = other[row["scientificName"]]
        for key in ("presence", "presenceLow", "presenceHigh"):
            assert again[key] == pytest.approx(row[key], abs=1e-9)


def test_nothing_reaches_0_or_1() -> None:
    many = [
        row
        for number in range(300)
        for row in made(f"own-{number}", *OTHERS, BLUEGILL, eventDate=f"{2000 + number % 26}-05-01")
    ]
    pool = build([*around(), *many])
    assert 0.98 < presence(pool, BLUEGILL) < 1
    assert 1e-6 < presence(pool, WARMOUTH) < 0.05
    least, most = min(row["presenceLow"] for row in pool), max(row["presenceHigh"] for row in pool)
    assert least > 0
    assert most < 1


# -- what was found and missed in the water ---------------------------------------------------


@pytest.mark.parametrize("with_outline", [False, True])
def test_a_find_at_the_very_point_counts_in_full(tmp_path: Path, with_outline: bool) -> None:
    rows = [*around(), *made("own", *OTHERS[:2], GREEN, WARMOUTH, eventDate="2024-06-01")]
    water = lake(tmp_path) if with_outline else None
    before, after = build(around(), water=water), build(rows, water=water)
    assert presence(before, WARMOUTH) < 0.1
    assert presence(after, WARMOUTH) > 0.4  # found nowhere else around
    assert presence(after, GREEN) > 0.9
    often = [
        row
        for number in range(60)
        for row in made(
            f"own-{number}",
            *OTHERS,
            *([WARMOUTH] if number % 8 < 3 else []),
            eventDate=f"{1965 + number}-06-01",
        )
    ]
    assert presence(build([*around(), *often], water=water), WARMOUTH) > 0.95


def test_repeated_finds_make_sure_but_not_beyond_belief() -> None:
    """Twelve finds of one summer are not 10^20 to one; passes of one day are one occasion."""
    days = [
        row for day in range(1, 13) for row in made(f"d{day}", *OTHERS, GREEN, eventDate=f"2019-07-{day:02d}")
    ]
    passes = [
        row for number in range(12) for row in made(f"p{number}", *OTHERS, GREEN, eventDate="2019-07-01")
    ]
    once = made("p0", *OTHERS, GREEN, eventDate="2019-07-01")
    for rows in (days, passes):
        steps = build([*around(), *rows]).reasons(GREEN)
        assert 0 < max(row["logOdds"] for row in steps) < 12
    assert presence(build([*around(), *passes])) == pytest.approx(
        presence(build([*around(), *once])), abs=0.01
    )
    assert presence(build([*around(), *days])) > presence(build([*around(), *passes]))


def test_a_find_on_the_last_list_outweighs_lists_that_missed_it() -> None:
    """A record without a stated uncertainty at the very point is of this water; a list is sure of its names."""
    unplaced = {"coordinateUncertaintyInMeters": None, "basisOfRecord": "HumanObservation"}
    missed = [
        row
        for year in (2016, 2018, 2020)
        for row in made(f"own-{year}", *OTHERS, eventDate=f"{year}-06-01", **unplaced)
    ]
    found = made("own-2024", *OTHERS, WARMOUTH, eventDate="2024-06-01", **unplaced)
    alone = made("own-2024", WARMOUTH, eventDate="2024-06-01", **unplaced)
    rows = [*around(warmouth=0.3), *missed]
    before, on_list, single = (presence(build([*rows, *more]), WARMOUTH) for more in ([], found, alone))
    assert before < 0.1
    assert on_list > 0.75
    assert before < single < on_list


@pytest.mark.parametrize("with_outline", [False, True])
def test_many_complete_lists_that_miss_it_leave_little(tmp_path: Path, with_outline: bool) -> None:
    rows = [
        *around(),
        *(
            row
            for year in range(2006, 2026)
            for row in made(f"own-{year}", *OTHERS, eventDate=f"{year}-06-01")
        ),
    ]
    water = lake(tmp_path) if with_outline else None
    assert presence(build(around(), water=water)) > 0.3
    pool = build(rows, water=water)
    assert presence(pool, LONGEAR) < 0.05
    assert presence(pool) < 0.5 * presence(build(around(), water=water))
    assert any(row["part"] == "notDetected" and row["logOdds"] < 0 for row in pool.reasons(GREEN))


def stated(folder: Path, means: str) -> RangeMap:
    """Ranges of redear and warmouth around the site, native or introduced."""
    ring = [
        [LON - 4, LAT - 4],
        [LON + 4, LAT - 4],
        [LON + 4, LAT + 4],
        [LON - 4, LAT + 4],
        [LON - 4, LAT - 4],
    ]
    features = [
        {
            "type": "Feature",
            "properties": {"scientificName": name, "establishmentMeans": means},
            "geometry": {"type": "Polygon", "coordinates": [ring]},
        }
        for name in (REDEAR, WARMOUTH)
    ]
    path = folder / "ranges.geojson"
    path.write_text(json.dumps({"type": "FeatureCollection", "features": features}), encoding="utf-8")
    return RangeMap.read([str(path)], LEPOMIS)


def lake(folder: Path) -> Any:
    """The site's water by the outline of a round pond, 500 m across."""
    path = folder / "lake.geojson"
    ring = [[LON + 0.003 * math.cos(a), LAT + 0.0025 * math.sin(a)] for a in np.linspace(0, 2 * math.pi, 40)]
    ring[-1] = ring[0]
    feature = {
        "type": "Feature",
        "properties": {"name": "Mill Pond"},
        "geometry": {"type": "Polygon", "coordinates": [ring]},
    }
    path.write_text(json.dumps({"type": "FeatureCollection", "features": [feature]}), encoding="utf-8")
    return Water.at(SITE, outline=str(path), settings=poolbuilder.Settings())


def test_an_old_find_still_counts_and_old_lists_alone_leave_a_species_open() -> None:
    usual = presence(build(around()))
    old_find = made("1935", WARMOUTH, eventDate="1935-07-01", basisOfRecord="PreservedSpecimen")
    none = presence(build(around()), WARMOUTH)
    assert presence(build([*around(), *old_find]), WARMOUTH) > 5 * none
    missed = [
        row for year in range(1931, 1940) for row in made(f"own-{year}", *OTHERS, eventDate=f"{year}-06-01")
    ]
    recent = [
        row for year in range(2016, 2025) for row in made(f"own-{year}", *OTHERS, eventDate=f"{year}-06-01")
    ]
    old, new = presence(build([*around(), *missed])), presence(build([*around(), *recent]))
    assert new < 0.5 * usual
    assert 0.75 * usual < old < usual


def test_a_coarse_record_says_little_of_the_water_unless_it_names_it() -> None:
    def found(**more: Any) -> float:
        return logit(
            presence(build([*around(), *made("own", WARMOUTH, eventDate="2024-06-01", **more)]), WARMOUTH)
        )

    none = logit(presence(build(around()), WARMOUTH))
    exact, coarse = found(), found(coordinateUncertaintyInMeters=28_000.0)
    named = found(coordinateUncertaintyInMeters=28_000.0, waterBody="mill pond")
    located = found(coordinateUncertaintyInMeters=28_000.0, locality="Mill Pond")
    elsewhere = found(coordinateUncertaintyInMeters=28_000.0, waterBody="Heron Lake")
    assert exact - none > 3
    assert 0 <= coarse - none < 0.4 * (exact - none)
    assert named - none > 0.6 * (exact - none)
    assert located == pytest.approx(named, abs=1e-9)
    assert elsewhere == pytest.approx(coarse, abs=1e-9)


def test_lists_that_name_the_water_are_silent_in_it() -> None:
    far = {"coordinateUncertaintyInMeters": 28_000.0}
    missed = [
        made(f"own-{year}", *OTHERS, eventDate=f"{year}-06-01", **far, waterBody=name)
        for year, name in itertools.product(range(2010, 2024), ["Mill Pond"])
    ]
    unnamed = [[row | {"waterBody": None} for row in event] for event in missed]
    told, silent = (
        presence(build([*around(), *(row for event in events for row in event)]))
        for events in (missed, unnamed)
    )
    assert told < 0.6 * silent


def test_settling_is_what_one_more_list_says() -> None:
    lists = [row for year in (2019, 2022) for row in made(f"own-{year}", *OTHERS, eventDate=f"{year}-06-01")]
    one = build([*around(), *lists], as_of=TODAY)
    row = one[GREEN]
    assert row["presenceIfMissed"] < row["presence"] < row["presenceIfFound"]
    today = "2026-06-01"
    missed = build([*around(), *lists, *made("today", *OTHERS, eventDate=today)])
    found = build([*around(), *lists, *made("today", *OTHERS, GREEN, eventDate=today)])
    # a list of today is not quite complete and is of this water with a chance just below 1
    assert presence(missed) == pytest.approx(row["presenceIfMissed"], abs=0.05)
    assert presence(found) == pytest.approx(row["presenceIfFound"], abs=0.02)
    needed = row["listsToRuleOut"]
    assert needed is None or needed >= 1


# -- statements ---------------------------------------------------------------------------------


def test_statements_enter_the_memory(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    table = tmp_path / "records.csv"
    columns = ("occurrenceID", "eventID", "scientificName", "decimalLongitude", "decimalLatitude",
               "geodeticDatum", "coordinateUncertaintyInMeters", "eventDate", "basisOfRecord")  # fmt: skip
    lines = [",".join(columns), *(",".join(str(row[key]) for key in columns) for row in around())]
    table.write_text("\n".join(lines) + "\n", encoding="utf-8")
    known = tmp_path / "known.csv"
    known.write_text(
        "scientificName,what,date,source\nwarmouth,present,2024,agency page\ngreen sunfish,absent,2024,owner\n",
        encoding="utf-8",
    )

    def run(*more: str) -> dict[str, Any]:
        with pytest.raises(SystemExit) as ended:
            main(["build", "--lat", str(LAT), "--lon", str(LON), "--as-of", "2026-06-01", "--records", str(table),
                  "--format", "json", *more])  # fmt: skip
        out, err = capsys.readouterr()
        assert not ended.value.code, err
        return {row["scientificName"]: row for row in json.loads(out)["candidates"]}

    without, told = run(), run("--known", str(known))
    assert told[WARMOUTH]["presence"] > 0.4 > 0.1 > without[WARMOUTH]["presence"]
    assert told[GREEN]["presence"] < without[GREEN]["presence"]
    assert told[BLUEGILL]["presence"] == pytest.approx(without[BLUEGILL]["presence"], abs=1e-6)


# -- what kind of looking ------------------------------------------------------------------------


def test_an_extract_by_species_does_not_speak_about_other_species() -> None:
    extract = [
        row
        for i in range(300)
        for row in made(f"x{i}", GREEN, km=-100 + 0.67 * i, east_km=(37 * i) % 100 - 50, datasetKey="extract")
    ]
    before, after = build(around()), build([*around(), *extract])
    assert presence(after, LONGEAR) == pytest.approx(presence(before, LONGEAR), abs=0.12)
    # the same events as lists of all fishes do speak
    listed = [
        row
        for i in range(300)
        for row in made(
            f"x{i}", GREEN, *OTHERS, km=-100 + 0.67 * i, east_km=(37 * i) % 100 - 50, datasetKey="lists"
        )
    ]
    assert presence(build([*around(), *listed]), LONGEAR) < 0.5 * presence(before, LONGEAR)


def test_where_only_the_genus_was_recorded_the_sites_of_its_species_are_the_looking() -> None:
    only = [row for row in around() if row["scientificName"].startswith("Lepomis ")]
    pool = build(only)
    assert any("candidates" in note for note in pool.notes)
    assert presence(pool, GREEN) > presence(pool, LONGEAR) > presence(pool, WARMOUTH)
    whole = build(around())
    for name in (GREEN, BLUEGILL, LONGEAR):
        assert presence(pool, name) == pytest.approx(presence(whole, name), abs=0.25)
        row = pool[name]
        assert row["presenceLow"] < row["presence"] < row["presenceHigh"]


def _patches(radius_km: float) -> list[dict[str, Any]]:
    """Lists of 300 waters; green sunfish fill patches of this radius, a third of all waters."""
    rng = random.Random(3)
    middles = [(rng.uniform(-120, 120), rng.uniform(-120, 120)) for _ in range(round(9000 / radius_km**2))]
    rows = []
    for i in range(300):
        x, y = rng.uniform(-120, 120), rng.uniform(-120, 120)
        held = any(math.hypot(x - a, y - b) < radius_km for a, b in middles) if middles else i % 3 == 0
        rows += made(f"p{i}", *OTHERS[:3], *([GREEN] if held else []), km=y, east_km=x)
    return rows


def test_a_region_tells_how_far_its_waters_are_alike() -> None:
    """Where neighbours are alike near finds say much; where each water is for itself, little."""
    near = [
        row for i in range(5) for row in made(f"near{i}", *OTHERS[:3], GREEN, km=6 + i, east_km=2 * i - 4)
    ]
    alike, each = (
        [presence(build([*_patches(radius), *more])) for more in ([], near)] for radius in (40.0, 1000.0)
    )
    assert logit(alike[1]) - logit(alike[0]) > 2 * (logit(each[1]) - logit(each[0])) > 0


@pytest.mark.parametrize("number", [1, 12, 100])
def test_single_finds_of_candidates_alone_do_not_hide_what_is_there(number: int) -> None:
    """One fish an event says nothing of how many fishes a water holds, so nothing of waters without any."""
    rng = random.Random(number)
    alone = {"basisOfRecord": "HumanObservation", "eventID": None, "datasetKey": "sightings"}
    rows = made("here", GREEN, **alone)
    for i in range(number - 1):
        angle, away = rng.uniform(0, 2 * math.pi), rng.uniform(3, 60)
        rows += made(
            f"find-{i}", (GREEN, BLUEGILL, LONGEAR, BLUEGILL)[i % 4], **alone, recordedBy=f"angler {i}",
            km=away * math.cos(angle), east_km=away * math.sin(angle), eventDate=f"20{8 + i % 18:02d}-07-01",
        )  # fmt: skip
    pool = build(rows)
    assert presence(pool, GREEN) > 0.8
    if number > 1:
        assert 0.05 < presence(pool, LONGEAR) < presence(pool, BLUEGILL) < 0.7
    for name in (GREEN, BLUEGILL, LONGEAR):
        row = pool[name]
        assert row["presenceLow"] < row["presence"] < row["presenceHigh"] < 0.99


# -- types of water ---------------------------------------------------------------------------------


def streams(**every: int) -> list[dict[str, Any]]:
    """240 streams; of the fishes of lakes one in so many holds each."""
    lake_fishes = {"redear": REDEAR, "warmouth": WARMOUTH}
    return [
        row
        for i in range(1, 241)
        for row in made(
            f"s{i}",
            *OTHERS,
            *(["Lepomis auritus"] if i % 2 else []),
            *(lake_fishes[name] for name, n in every.items() if i % n == 7),
            km=(53 * i) % 240 - 121,
            east_km=(89 * i) % 240 - 119,
            habitat="stream",
            samplingProtocol="electrofishing",
        )
    ]


@pytest.mark.parametrize("means", ["introduced", "native"])
@pytest.mark.parametrize("every", [{}, {"redear": 80, "warmouth": 80}])
def test_streams_alone_say_little_of_the_fishes_of_a_lake(
    tmp_path: Path, means: str, every: dict[str, int]
) -> None:
    """A lake of the Atlantic slope, known from 240 streams alone: none or three of them hold its fishes."""
    pond, stream, unknown = (
        build(
            streams(**every),
            Site(longitude=LON, latitude=LAT, water_type=kind),
            ranges=stated(tmp_path, means),
        )
        for kind in ("lake", "stream", None)
    )
    for name, least in ((REDEAR, 0.05), (WARMOUTH, 0.04)):
        assert presence(pond, name) >= least
        assert presence(stream, name) < 0.3 * presence(pond, name)
        assert presence(stream, name) <= presence(unknown, name) <= presence(pond, name)
        assert pond[name]["presenceLow"] < presence(pond, name) / 2
        assert pond[name]["presenceHigh"] > 1.7 * presence(pond, name)
        assert any(row["part"] == "waterType" and row["logOdds"] > 1 for row in pond.reasons(name))


def test_streams_that_hold_a_fish_say_much_of_a_lake() -> None:
    site = Site(longitude=LON, latitude=LAT, water_type="lake")
    rare, some, common = (presence(build(streams(warmouth=n), site), WARMOUTH) for n in (80, 24, 8))
    assert 0.05 < rare < some < common
    assert common > 1.5 * rare
    known = [*streams(warmouth=24), *made("own", *OTHERS[:3], habitat="lake", eventDate="1990-06-01")]
    pool = build(known, site)
    assert {row["part"]: row["logOdds"] for row in pool.reasons(WARMOUTH)}["community"] > -3


# -- pairs ----------------------------------------------------------------------------------------------


def test_pairs_count_how_often_a_cross_is_met_and_where_it_is_stocked() -> None:
    pond, stream = (
        build(around(), Site(longitude=LON, latitude=LAT, water_type=kind)) for kind in ("pond", "stream")
    )

    def ratio(pool: Pool, first: str, second: str) -> float:
        (row,) = [
            one for one in pool.crosses.to_pylist() if {one["parent1"], one["parent2"]} == {first, second}
        ]
        return float(row["prior"]) / (presence(pool, first) * presence(pool, second))

    assert ratio(stream, GREEN, BLUEGILL) > 1.5 * ratio(stream, "Lepomis auritus", "Lepomis humilis")
    assert ratio(pond, GREEN, BLUEGILL) == pytest.approx(2 * ratio(stream, GREEN, BLUEGILL), rel=1e-6)
    weights = [row["weight"] for row in pond.crosses.to_pylist()]
    assert weights == sorted(weights, reverse=True)
    assert sum(weights) == pytest.approx(1)
