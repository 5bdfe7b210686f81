"""Native or introduced: species, place and time, and who says so."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from poolbuilder.errors import ChecklistError
from poolbuilder.names.checklist import Checklist
from poolbuilder.names.vocabularies import ESTABLISHMENT_MEANS
from poolbuilder.places.sites import Site
from poolbuilder.status.decision import (
    ORDER,
    Statement,
    decide_establishment,
    establishment_of,
    settle,
    side,
)
from poolbuilder.status.region_lists import RegionLists
from tests.rows import located, status

DATA = Path(__file__).parent / "data" / "introduced"
BLUEGILL = "Lepomis macrochirus"


def accept(text: str) -> tuple[str, ...]:
    """Three species, one of them under an old name too."""
    old = {"Eupomotis gibbosus": "Lepomis gibbosus"}
    name = old.get(text, text)
    return (name,) if name in {"Lepomis gibbosus", "Leuciscus aspius", BLUEGILL} else ()


def lists(table: str, layer: str = "regions.geojson") -> RegionLists:
    return RegionLists.read(DATA / table, str(DATA / layer), accept)


# Deciding


def said(**means: str | None) -> list[Statement]:
    """A statement of each source that says something."""
    return [Statement(source=source, means=term) for source, term in means.items() if term]


def test_nobody_says_and_so_it_stays_unknown() -> None:
    decided = decide_establishment([])
    assert (decided.means, decided.source, decided.remark) == ("uncertain", "unknown", "")
    assert not decided.disputed


def test_the_first_of_the_sources_decides() -> None:
    for start, source in enumerate(ORDER):
        voices = said(**dict.fromkeys(ORDER[start:], "native"))
        decided = decide_establishment(
            [item for item in voices if item.source != "record"], records=["native"] * (start <= 2)
        )
        assert (decided.means, decided.source, decided.disputed) == ("native", source, False)


def test_the_order_can_be_changed() -> None:
    voices = said(region="introduced", polygon="native")
    assert decide_establishment(voices).source == "region"
    turned = decide_establishment(voices, order=("polygon", "region"))
    assert (turned.source, turned.disputed) == ("polygon", True)
    assert [item.source for item in turned.against] == ["region"]


def test_every_voice_against_is_said() -> None:
    voices = [
        Statement(source="region", means="introduced", who="the checklist of Dreve"),
        *said(agency="native", checklist="introduced"),
    ]
    decided = decide_establishment(voices, records=["introduced", "introduced", "native"])
    assert (decided.means, decided.source, decided.disputed) == ("native", "agency", True)
    assert decided.remark == (
        "agency says native, but the checklist of Dreve says introduced and record says introduced and "
        "checklist says introduced"
    )


def test_one_that_speaks_of_a_part_contradicts_nobody() -> None:
    part = Statement(source="shipped", means="native", extent="part")
    decided = decide_establishment([*said(region="introduced"), part])
    assert (decided.means, decided.disputed) == ("introduced", False)


def test_records_that_disagree_among_themselves_are_said() -> None:
    decided = decide_establishment([], records=["native", "introduced", "introduced"])
    assert decided.means == "introduced"
    assert decided.remark == "record says introduced, but records disagree among themselves"


def test_contradictory_polygons_are_said() -> None:
    row = {
        "scientificName": BLUEGILL,
        "rangeClass": "extant",
        "establishmentMeans": "native",
        "polygonsDisagree": True,
    }
    found = establishment_of(located(), status(row), Checklist.load("lepomis"), radius_km=40)[BLUEGILL]
    assert found.disputed
    assert found.remark == "polygon says native, but other polygons disagree"


terms = st.sampled_from([None, *ESTABLISHMENT_MEANS])


@settings(deadline=None, derandomize=True, max_examples=150)
@given(terms, st.lists(st.sampled_from(ESTABLISHMENT_MEANS), max_size=4), terms)
def test_a_status_is_never_invented(polygon: str | None, records: list[str], checklist: str | None) -> None:
    decided = decide_establishment(said(polygon=polygon, checklist=checklist), records=records)
    assert decided.means in {polygon, checklist, "uncertain", *records}
    assert (decided.source == "unknown") == (
        polygon is None and checklist is None and not any(side(term) for term in records)
    )
    assert decided.disputed == bool(decided.remark)


def test_settle_hears_the_first() -> None:
    assert settle([Statement(source="record", means="vagrant")]).means == "vagrant"


# Records of this watershed and of the next


def near(means: str, relation: str | None, km: float = 5.0) -> dict[str, object]:
    return {
        "scientificName": BLUEGILL,
        "establishmentMeans": means,
        "basinRelation": relation,
        "distanceKm": km,
    }


def of(*rows: dict[str, object]) -> tuple[str, str, str]:
    found = establishment_of(
        located(*rows), status({"scientificName": BLUEGILL}), Checklist.load("lepomis"), radius_km=40
    )[BLUEGILL]
    return found.means, found.source, found.remark


def test_native_in_one_basin_and_introduced_in_the_next() -> None:
    both = (near("native", "same"), near("introduced", "neighbouring"), near("introduced", "other"))
    assert of(*both) == (
        "native",
        "record",
        "2 records in another watershed: introduced there",
    )


def test_another_watershed_alone_leaves_it_unknown() -> None:
    means, source, remark = of(near("introduced", "neighbouring"))
    assert (means, source) == ("uncertain", "unknown")
    assert remark == "1 record in another watershed: introduced there"


def test_records_beyond_the_radius_are_not_heard() -> None:
    assert of(near("introduced", None, km=41.0))[:2] == ("uncertain", "unknown")


def test_terms_are_read_in_any_spelling() -> None:
    assert of(near("INTRODUCED", None))[0] == "introduced"
    assert of(near("stocked by hand", None))[0] == "uncertain"


# Checklists of regions


def test_the_smallest_region_decides_and_the_larger_is_heard() -> None:
    read = lists("status.csv")
    said = read.at(Site(longitude=2.5, latitude=0.5), year=2026)["Leuciscus aspius"]
    assert [(item.region, item.means) for item in said] == [("Dreve", "introduced"), ("Land", "native")]
    elsewhere = read.at(Site(longitude=0.5, latitude=0.5), year=2026)["Leuciscus aspius"]
    assert [(item.region, item.means) for item in elsewhere] == [("Land", "native")]
    assert read.at(Site(longitude=50, latitude=0.5), year=2026) == {}


def test_a_row_holds_in_its_years() -> None:
    read = lists("status.csv")
    before = read.at(Site(longitude=0.5, latitude=0.5), year=1990)
    assert BLUEGILL not in before
    assert read.at(Site(longitude=0.5, latitude=0.5), year=1999)[BLUEGILL][0].means == "introduced"


def test_old_names_repeats_and_strangers_are_said() -> None:
    notes = " / ".join(lists("status.csv").notes)
    assert "row 4: Eupomotis gibbosus read as Lepomis gibbosus" in notes
    assert "row 5: Lepomis gibbosus stands for Land in row 4 already" in notes
    assert "1 rows left aside: 1 names that are not on the checklist" in notes
    assert "1 rows have no effect: no polygon for 1 regions, such as Atlantis" in notes


def test_regions_that_overlap_are_said() -> None:
    read = lists("status.csv", "overlap.geojson")
    assert any("regions Dreve and Ostra overlap (50 % of Dreve)" in note for note in read.notes)
    assert not any("Land" in note and "overlap" in note for note in read.notes)  # one lies in the other


@pytest.mark.parametrize(
    ("table", "message"),
    [
        ("contradiction.csv", "row 3: Lepomis gibbosus is native in Land, and introduced in row 2 (keep one"),
        ("no_term.csv", "row 2: establishmentMeans 'stocked' is no Darwin Core term (use one of native"),
        ("no_column.csv", "row 1: no column establishmentMeans"),
        ("empty_cell.csv", "row 2: scientificName is empty"),
        ("years.csv", "row 2: validFrom 2000 is after validTo 1990"),
        ("not_a_year.csv", "row 2: validFrom 'long ago' is not a year"),
        ("nowhere.csv", "no region of the table, such as 'Nowhere', is in"),
        ("missing.csv", "cannot be read: No such file"),
    ],
)
def test_a_bad_table_is_named_with_row_and_remedy(table: str, message: str) -> None:
    with pytest.raises(ChecklistError) as caught:
        lists(table)
    assert message in str(caught.value)
    assert str(caught.value).startswith(str(DATA / table))
    assert "(" in str(caught.value)
