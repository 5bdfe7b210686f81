"""Native or introduced: species, place and time, and who says so."""

from __future__ import annotations

import zipfile
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from poolbuilder import Checklist, PoolBuilderError, Settings, Site, tables
from poolbuilder.names.vocabularies import ESTABLISHMENT_MEANS, read_term
from poolbuilder.status.decision import (
    Establishment,
    RecordTerms,
    decide,
    status_answers,
    terms_of_records,
)
from poolbuilder.status.lists import ORDER, RegionLists, Statement, side
from tests.rows import located, status

DATA = Path(__file__).parent / "data" / "introduced"
BLUEGILL = "Lepomis macrochirus"


LISTED = Checklist.from_csv(
    b"scientificName,taxonomicStatus,acceptedNameUsage\nLepomis gibbosus,,\nLepomis macrochirus,,\n"
    b"Leuciscus aspius,,\nEupomotis gibbosus,synonym,Lepomis gibbosus\n",
    path="three.csv",
)


def lists(table: str, layer: str | None = "regions.geojson") -> RegionLists:
    return RegionLists.read(DATA / table, str(DATA / layer) if layer else None, LISTED)


# Deciding

OCEAN = Site(longitude=-40.0, latitude=30.0)  # where the shipped table states nothing


def answer(drawn: dict[str, object], *rows: dict[str, object]) -> Establishment:
    """The answer for the bluegill from a row of STATUS and records."""
    listed, table = Checklist.load("lepomis"), located(*rows)
    terms = table["establishmentMeans"].to_pylist()
    records = terms_of_records(
        np.array([listed.species.index(name) for name in table["scientificName"].to_pylist()], dtype=int),
        tables.numbers(table["distanceKm"]) <= OCEAN.radius_km,
        table["basinRelation"].to_pylist(),
        tables.integers(table["eventYear"]),
        np.arange(len(terms)),
        [read_term(term, ESTABLISHMENT_MEANS) for term in terms],
    )
    return status_answers(records, status(drawn), listed, OCEAN, year=2026, settings=Settings())[BLUEGILL]


def said(**means: str | None) -> list[Statement]:
    """A statement of each source that says something."""
    return [Statement(source=source, means=term) for source, term in means.items() if term]


def test_nobody_says_and_so_it_stays_unknown() -> None:
    decided = decide([])
    assert (decided.means, decided.source, decided.remark) == ("uncertain", "unknown", "")
    assert not decided.disputed


def test_the_first_of_the_sources_decides() -> None:
    for start, source in enumerate(ORDER):
        voices = said(**dict.fromkeys(ORDER[start:], "native"))
        decided = decide(
            [item for item in voices if item.source != "record"],
            records=RecordTerms(here=["native"] * (start <= 2)),
        )
        assert (decided.means, decided.source, decided.disputed) == ("native", source, False)


def test_the_order_can_be_changed() -> None:
    voices = said(region="introduced", polygon="native")
    assert decide(voices).source == "region"
    turned = decide(voices, order=("polygon", "region"))
    assert (turned.source, turned.disputed) == ("polygon", True)
    assert [item.source for item in turned.against] == ["region"]


def test_every_voice_against_is_said() -> None:
    voices = [
        Statement(source="region", means="introduced", region="Dreve"),
        *said(agency="native", checklist="introduced"),
    ]
    decided = decide(voices, records=RecordTerms(here=["introduced", "introduced", "native"]))
    assert (decided.means, decided.source, decided.disputed) == ("native", "agency", True)
    assert decided.remark == (
        "the agency's list says native, but the checklist of Dreve says introduced and records here say introduced and "
        "the species list says introduced"
    )


def test_one_that_speaks_of_a_part_contradicts_nobody() -> None:
    part = Statement(source="shipped", means="native", extent="part")
    decided = decide([*said(region="introduced"), part])
    assert (decided.means, decided.disputed) == ("introduced", False)


def test_records_that_disagree_among_themselves_are_said() -> None:
    decided = decide([], records=RecordTerms(here=["native", "introduced", "introduced"]))
    assert decided.means == "introduced"
    assert decided.remark == "records here say introduced, but records disagree among themselves"


def test_contradictory_polygons_are_said() -> None:
    row = {
        "scientificName": BLUEGILL,
        "rangeClass": "extant",
        "establishmentMeans": "native",
        "polygonsDisagree": True,
    }
    found = answer(row)
    assert found.disputed
    assert found.remark == "the range map says native, but other polygons disagree"


terms = st.sampled_from([None, *ESTABLISHMENT_MEANS])


@settings(deadline=None, derandomize=True, max_examples=150)
@given(terms, st.lists(st.sampled_from(ESTABLISHMENT_MEANS), max_size=4), terms)
def test_a_status_is_never_invented(polygon: str | None, records: list[str], checklist: str | None) -> None:
    decided = decide(said(polygon=polygon, checklist=checklist), records=RecordTerms(here=records))
    assert decided.means in {polygon, checklist, "uncertain", *records}
    assert (decided.source == "unknown") == (
        polygon is None and checklist is None and not any(side(term) for term in records)
    )
    assert decided.disputed == bool(decided.remark)


# Records of this watershed and of the next


def near(means: str, relation: str | None, km: float = 5.0) -> dict[str, object]:
    return {
        "scientificName": BLUEGILL,
        "establishmentMeans": means,
        "basinRelation": relation,
        "distanceKm": km,
    }


def of(*rows: dict[str, object]) -> tuple[str, str, str]:
    found = answer({"scientificName": BLUEGILL}, *rows)
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


def test_where_nobody_states_anything_the_first_year_in_the_drainage_is_said() -> None:
    first = {**near("absurd", "same"), "eventYear": 1890}
    rows = (first, {**first, "eventYear": 1931}, {**near("absurd", "other"), "eventYear": 1850})
    found = answer({"scientificName": BLUEGILL}, *rows)
    assert (found.means, found.note) == ("uncertain", "recorded since 1890 in this drainage")
    away = answer({"scientificName": BLUEGILL}, rows[2])
    assert away.note == "recorded since 1850 around here"
    stated = answer({"scientificName": BLUEGILL}, first, near("native", "same"))
    assert stated.note == ""


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
    assert "1 row left aside: 1 name not on the checklist" in notes
    assert "1 row without effect: no polygon for 1 region, such as Atlantis" in notes


@pytest.mark.parametrize(
    ("table", "message"),
    [
        ("empty_cell.csv", "no row can be used: row 2: no species (give species"),
        ("years.csv", "row 2: its years 2000 and 1990 are the wrong way round"),
        ("not_a_year.csv", "row 2: 'long ago' is not a year"),
        ("nowhere.csv", "no region of the table, such as 'Nowhere', is in"),
        ("missing.csv", "cannot be read: No such file"),
    ],
)
def test_a_bad_table_is_named_with_row_and_remedy(table: str, message: str) -> None:
    with pytest.raises(PoolBuilderError) as caught:
        lists(table)
    assert message in str(caught.value)
    assert str(caught.value).startswith(str(DATA / table))
    assert "(" in str(caught.value)


# Lists as agencies have them

LAND = Site(longitude=0.5, latitude=0.5)


def test_of_two_rows_that_contradict_each_other_one_is_set_aside() -> None:
    read = lists("contradiction.csv")
    assert read.at(LAND, year=2026)["Lepomis gibbosus"][0].means == "introduced"
    assert any("1 row set aside, such as row 3: Lepomis gibbosus is native in Land" in n for n in read.notes)


def test_a_list_without_status_leaves_it_open() -> None:
    assert lists("no_column.csv").at(LAND, year=2026)["Lepomis gibbosus"][0].means == "uncertain"


def _list(tmp_path: Path, text: str, layer: str | None = None) -> RegionLists:
    path = tmp_path / "list.csv"
    path.write_bytes(text.encode("cp1252"))
    return RegionLists.read(path, layer, Checklist.load("lepomis"))


@pytest.mark.parametrize(
    ("word", "means", "degree"),
    [
        ("Non-native", "introduced", None),
        ("EXOTIC", "introduced", None),
        ("Introduced - established", "introduced", "established"),
        ("Non-native - established", "introduced", "established"),
        ("not native (stocked)", "introduced", "released"),
        ("native/extirpated", "native", None),
        ("naturalized", "introduced", "established"),
        ("stocked", "introduced", "released"),
        ("Extirpated", "native", None),
        ("indigenous", "native", None),
        ("nativeReintroduced", "nativeReintroduced", None),
        ("cryptogenic", "uncertain", None),
    ],
)
def test_words_as_agencies_write_them(tmp_path: Path, word: str, means: str, degree: str | None) -> None:
    read = _list(tmp_path, f"State;Species;Status\nMO;Lepomis gulosus;{word}\n")
    (item,) = read.at(Site(longitude=-91.2, latitude=36.9), year=2026)["Lepomis gulosus"]
    assert (item.means, item.degree, item.region) == (means, degree, "Missouri")


def test_yes_and_no_under_native(tmp_path: Path) -> None:
    read = _list(
        tmp_path, "STATE,Common Name,Native?,Year\nMissouri,Bluegill,Y,2019\nMissouri,Redbreast sunfish,N,\n"
    )
    said = read.at(Site(longitude=-91.2, latitude=36.9), year=2026)
    assert (said[BLUEGILL][0].means, said[BLUEGILL][0].year) == ("native", 2019)
    assert said["Lepomis auritus"][0].means == "introduced"


def test_units_without_their_zero(tmp_path: Path) -> None:
    """A spreadsheet takes the zero off 02060003."""
    read = _list(
        tmp_path, "HUC8,scientificName,status\n2060003,Lepomis gulosus,introduced\n2060003,,native\n"
    )
    site = Site(longitude=-76.7, latitude=39.4)
    assert read.at(site, year=2026, code="02060003")["Lepomis gulosus"][0].region == "02060003"
    assert read.at(site, year=2026, code="02070003") == {}
    assert any("1 row set aside, such as row 3: no species" in note for note in read.notes)


def test_a_name_means_what_its_region_allows(tmp_path: Path) -> None:
    read = _list(
        tmp_path, "state,species,status\nMissouri,longear sunfish,native\nMichigan,longear sunfish,native\n"
    )
    assert [item.species for item in read.listed] == ["Lepomis megalotis", "Lepomis peltastes"]


def test_an_agencys_own_list_comes_first(tmp_path: Path) -> None:
    read = _list(tmp_path, "species,status\nLepomis gibbosus,native\n")
    found = read.at(Site(longitude=11.5, latitude=48.1), year=2026)
    (statement,) = found["Lepomis gibbosus"]
    assert (statement.source, statement.means) == ("agency", "native")


# Darwin Core text guide (TDWG) and the Global Names Architecture's Species Distribution and Species Profile
# extensions: row types and terms as published (from memory).
META = """<archive xmlns="http://rs.tdwg.org/dwc/text/">
<core encoding="UTF-8" fieldsTerminatedBy="\\t" linesTerminatedBy="\\n" ignoreHeaderLines="1"
 rowType="http://rs.tdwg.org/dwc/terms/Taxon"><files><location>taxon.txt</location></files><id index="0"/>
<field index="1" term="http://rs.tdwg.org/dwc/terms/scientificName"/></core>
<extension encoding="UTF-8" fieldsTerminatedBy="\\t" linesTerminatedBy="\\n" ignoreHeaderLines="1"
 rowType="http://rs.gbif.org/terms/1.0/Distribution"><files><location>distribution.txt</location></files>
<coreid index="0"/><field index="1" term="http://rs.tdwg.org/dwc/terms/locationID"/>
<field index="2" term="http://rs.tdwg.org/dwc/terms/establishmentMeans"/>
<field index="3" term="http://rs.tdwg.org/dwc/terms/occurrenceStatus"/></extension>
<extension encoding="UTF-8" fieldsTerminatedBy="\\t" linesTerminatedBy="\\n" ignoreHeaderLines="1"
 rowType="http://rs.gbif.org/terms/1.0/SpeciesProfile"><files><location>profile.txt</location></files>
<coreid index="0"/><field index="1" term="http://rs.gbif.org/terms/1.0/isInvasive"/></extension></archive>"""


def test_a_darwin_core_checklist_archive(tmp_path: Path) -> None:
    path = tmp_path / "checklist.zip"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("meta.xml", META)
        archive.writestr("taxon.txt", "id\tname\n1\tLepomis gibbosus (Linnaeus, 1758)\n2\tLepomis gulosus\n")
        archive.writestr(
            "distribution.txt",
            "id\tplace\tmeans\tstatus\n1\tISO_3166:DE\tIntroduced\tpresent\n2\tISO_3166:DE\tabsurd\tpresent\n"
            "1\tISO_3166:FR\tnative\tabsent\n",
        )
        archive.writestr("profile.txt", "id\tinvasive\n1\ttrue\n")
    read = RegionLists.read(path, None, Checklist.load("lepomis"))
    found = read.at(Site(longitude=11.5, latitude=48.1), year=2026)
    (item,) = found["Lepomis gibbosus"]
    assert (item.region, item.means, item.degree) == ("Germany", "introduced", "invasive")
    assert (
        read.at(Site(longitude=2.3, latitude=48.8), year=2026) == {}
    )  # absent in France: set aside, no status
    assert any("2 rows set aside, such as row 1: its occurrence is absent" in note for note in read.notes)


def test_a_name_of_two_meanings_is_read_by_its_hydrologic_unit(tmp_path: Path) -> None:
    path = tmp_path / "units.csv"
    path.write_text("huc8,species,status\n07140101,longear sunfish,native\n04010101,longear sunfish,native\n")
    lists = RegionLists.read(path, None, Checklist.load("lepomis"))
    assert [(item.region, item.species) for item in lists.listed] == [
        ("07140101", "Lepomis megalotis"),
        ("04010101", "Lepomis peltastes"),
    ]


def test_a_layer_of_regions_without_any_name_is_one_line(tmp_path: Path) -> None:
    (tmp_path / "list.csv").write_text("region,species,status\nNorth,bluegill,native\n")
    square = '{"type": "Polygon", "coordinates": [[[0, 0], [1, 0], [1, 1], [0, 0]]]}'
    (tmp_path / "regions.geojson").write_text(square)
    with pytest.raises(PoolBuilderError, match=r"list\.csv: .*North.* in .*regions\.geojson"):
        RegionLists.read(tmp_path / "list.csv", str(tmp_path / "regions.geojson"), Checklist.load("lepomis"))
