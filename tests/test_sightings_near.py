"""By which way a species could come, what records say of it, and in what order to expect it."""

from __future__ import annotations

from typing import Any

import pytest

from poolbuilder import Settings
from poolbuilder.introduced.assessment import APART, Way, arrival, best_way, ranked, terms_said, ways_of
from poolbuilder.words.introduced_words import way as way_words
from tests.rows import located


def placed(up: float | None, down: float | None, passed: float | None = 1.0) -> dict[str, Any]:
    whole = None if up is None or down is None else up + down
    return {
        "scientificName": "Lepomis auritus",
        "distanceKm": 3.0,
        "byWaterKm": whole,
        "upstreamKm": up,
        "downstreamKm": down,
        "passability": passed,
    }


@pytest.mark.parametrize(
    ("up", "down", "passed", "connection", "direction"),
    [
        (4.0, 0.0, 0.0, "upstream", "upstream"),
        (0.0, 6.0, 1.0, "passable", "downstream"),
        (0.0, 6.0, 0.2, "barrier", "downstream"),
        (3.0, 6.0, 0.9, "passable", "downstream and up a branch"),
        (0.0, 0.0, 1.0, "upstream", "in the water"),
    ],
)
def test_upstream_and_downstream(
    up: float, down: float, passed: float, connection: str, direction: str
) -> None:
    table = located(placed(up, down, passed))
    way = ways_of(table, table["scientificName"].to_pylist(), settings=Settings())["Lepomis auritus"][0]
    assert (way.connection, way.direction, way.km) == (connection, direction, up + down)


def test_without_a_network_no_way_is_known() -> None:
    table = located(placed(None, None, None))
    assert ways_of(table, table["scientificName"].to_pylist(), settings=Settings()) == {}
    assert best_way([]) is APART
    assert APART.direction is None


def test_a_way_says_its_length_and_barriers() -> None:
    assert (
        way_words("downstream", 6.0, 6.0, 0.2)
        == "6.0 km along the stream network, downstream, past barriers of passability 0.2"
    )


def expected(name: str, presence: float, km: float | None, way: Way) -> dict[str, Any]:
    row = {
        "scientificName": name, "vernacularName": None, "establishmentMeans": "introduced",
        "establishmentSource": "polygon", "presence": presence, "nearestKm": km, "lastYear": 2020,
        "events": 1, "front": None, "restriction": None,
    }  # fmt: skip
    return arrival(row, way, inside_range=False)


def test_the_watch_list_goes_by_presence_then_by_the_way() -> None:
    up = Way(connection="upstream", km=30.0, upstream_km=30.0, downstream_km=0.0, passability=1.0)
    dam = Way(connection="barrier", km=5.0, upstream_km=0.0, downstream_km=5.0, passability=0.0)
    order = ranked(
        [
            expected("Aa trailer", 0.2, 2.0, APART),
            expected("Bb barrier", 0.45, 5.0, dam),
            expected("Cc upstream", 0.11, 20.0, up),
            expected("Dd likely", 0.6, 38.0, APART),
            expected("Ee unlikely", 0.05, 1.0, up),
        ]
    )
    assert [item["scientificName"][:2] for item in order] == ["Dd", "Cc", "Bb", "Aa", "Ee"]
    assert order[1]["reasons"][0] == (
        "recorded 30.0 km away along the stream network, upstream of this water, so that fish can come down with it"
    )
    assert order[3]["reasons"][0] == "recorded 2.0 km away in a straight line, as a trailer goes"


def test_the_latest_degree_and_every_pathway() -> None:
    def said(year: int, degree: str | None, pathway: str | None, km: float = 1.0) -> dict[str, Any]:
        return {
            "scientificName": "Lepomis auritus", "distanceKm": km, "eventYear": year,
            "degreeOfEstablishment": degree, "pathway": pathway,
        }  # fmt: skip

    table = located(
        said(1990, "released", "fisheryInTheWild"),
        said(2015, "Established", "pet | fisheryInTheWild"),
        said(2020, "native", "by bucket"),
        said(2022, "invasive", "ballastWater", km=99.0),
    )
    found = terms_said(table, table["scientificName"].to_pylist(), radius_km=40)["Lepomis auritus"]
    assert found["degree"] == "established"
    assert found["pathways"] == ["fisheryInTheWild", "pet"]
