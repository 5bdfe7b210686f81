"""What range polygons say of a species at a place."""

from __future__ import annotations

import json
import random
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import shapely

from poolbuilder import Checklist, PoolBuilderError, RangeMap, Site
from poolbuilder.places.geodesy import distance_km
from poolbuilder.schemas import STATUS
from poolbuilder.status.polygons import status_at

DATA = Path(__file__).parent / "data" / "ranges"
SUNFISHES = Checklist.load("lepomis")
TROUT = "Salmo trutta"
TROUTS = Checklist.from_csv(b"scientificName\nSalmo trutta\n", path="trout.csv")
SITE = Site(longitude=-91, latitude=37, name="Test Pond")


def _map(*names: str) -> RangeMap:
    return RangeMap.read([str(DATA / name) for name in names], SUNFISHES)


def _status(found: RangeMap | None, site: Site = SITE, species=SUNFISHES.species) -> dict[str, dict]:
    rows = status_at(found, site, species)
    assert all(list(row) == STATUS.names for row in rows)
    assert [row["scientificName"] for row in rows] == list(species)
    return {row["scientificName"].removeprefix("Lepomis "): row for row in rows}


def _plain(folder: Path, shapes, **attributes) -> RangeMap:
    """A layer of range polygons of the trout, as a file."""
    attributes.setdefault("species", [TROUT] * len(shapes))
    path = folder / f"ranges{len(list(folder.iterdir()))}.parquet"
    gpd.GeoDataFrame(attributes, geometry=list(shapes), crs=4326).to_parquet(path)
    return RangeMap.read([str(path)], TROUTS)


# Classes


def test_without_a_map_every_species_is_no_map() -> None:
    for row in _status(None).values():
        assert (row["rangeClass"], row["rangeKm"], row["establishmentMeans"]) == ("no_map", None, None)


def test_integer_codes_at_the_place() -> None:
    rows = _status(_map("codes.geojson"))
    assert [rows["cyanellus"][key] for key in ("rangeClass", "establishmentMeans", "rangeKm")] == [
        "extant",
        "native",
        0,
    ]
    assert rows["cyanellus"]["words"] == "inside a polygon: extant, native, resident"
    assert [rows["auritus"][key] for key in ("rangeClass", "establishmentMeans")] == [
        "introduced",
        "introduced",
    ]
    assert rows["macrochirus"]["rangeClass"] == "no_map"


def test_outside_gives_the_distance_and_what_lies_there() -> None:
    row = _status(_map("codes.geojson"))["gulosus"]
    assert row["rangeClass"] == "outside"
    assert row["establishmentMeans"] is None
    assert row["rangeKm"] == pytest.approx(
        float(distance_km(-90, 37, from_longitude=-91, from_latitude=37)), abs=0.01
    )
    assert row["words"] == "89.0 km outside the nearest polygon (possibly extant, native, resident)"


def test_expected_additional_range_is_no_presence() -> None:
    row = _status(_map("codes.geojson"))["humilis"]
    assert (row["rangeClass"], row["rangeKm"], row["establishmentMeans"]) == ("outside", None, None)
    assert (
        row["words"]
        == "no polygon of presence; inside a polygon: expected additional range, native, resident"
    )


def test_extinct_here_is_said_although_it_lives_elsewhere() -> None:
    row = _status(_map("codes.geojson"))["marginatus"]
    assert (row["rangeClass"], row["rangeKm"], row["establishmentMeans"]) == ("extinct", 0, "native")


def test_distance_is_to_where_the_species_lives_before_where_it_is_extinct(tmp_path: Path) -> None:
    found = _plain(
        tmp_path,
        [shapely.box(-90.9, 36, -90, 38), shapely.box(-88, 36, -87, 38)],
        species=[TROUT, TROUT],
        presence=[5, 1],
    )
    row = _status(found, species=[TROUT])[TROUT]
    assert row["rangeKm"] == pytest.approx(267, abs=1)
    only_extinct = _plain(tmp_path, [shapely.box(-90.9, 36, -90, 38)], species=[TROUT], presence=[5])
    assert _status(only_extinct, species=[TROUT])[TROUT]["rangeKm"] == pytest.approx(8.9, abs=0.1)


def test_establishment_means_instead_of_codes() -> None:
    rows = _status(_map("darwin_core.geojson"))
    found = {name: (row["rangeClass"], row["establishmentMeans"]) for name, row in rows.items()}
    assert found == {
        "cyanellus": ("extant", "native"),
        "auritus": ("introduced", "introduced"),
        "gulosus": ("extant", "nativeReintroduced"),
        "humilis": ("introduced", "introducedAssistedColonisation"),
        "macrochirus": ("vagrant", "vagrant"),
        "marginatus": ("extant", "uncertain"),
        "microlophus": ("extant", "native"),
        "miniatus": ("extant", None),
        **dict.fromkeys(("gibbosus", "megalotis", "peltastes", "punctatus", "symmetricus"), ("no_map", None)),
    }


def test_polygons_that_disagree_are_reported() -> None:
    rows = _status(_map("disagree.geojson"))
    assert rows["cyanellus"]["rangeClass"] == "extant"
    assert rows["cyanellus"]["establishmentMeans"] == "native"
    assert rows["cyanellus"]["words"] == (
        "inside a polygon: extant, native; also inside: extant, introduced; "
        "the polygons disagree on native or introduced"
    )
    assert rows["gulosus"]["words"] == "inside a polygon: extant, reintroduced; also inside: extinct, native"


def test_order_of_files_and_features_does_not_matter(tmp_path: Path) -> None:
    shapes = [shapely.box(-92, 36, -90, 38)] * 7
    rows = [(presence, 1) for presence in range(1, 8)]
    classes = set()
    for seed in range(20):
        random.Random(seed).shuffle(rows)
        found = _plain(
            tmp_path,
            shapes,
            species=[TROUT] * 7,
            presence=[row[0] for row in rows],
            origin=[row[1] for row in rows],
        )
        classes.add(_status(found, species=[TROUT])[TROUT]["rangeClass"])
    assert classes == {"extant"}


def test_the_edge_itself_is_inside() -> None:
    row = _status(_map("codes.geojson"), Site(longitude=-92, latitude=37))["cyanellus"]
    assert (row["rangeClass"], row["rangeKm"]) == ("extant", 0)


def test_antimeridian_and_pole(tmp_path: Path) -> None:
    found = _plain(
        tmp_path, [shapely.MultiPolygon([shapely.box(179, -1, 180, 1), shapely.box(-180, -1, -179, 1)])]
    )
    for longitude in (180, -180, 179.5, -179.5):
        assert _status(found, Site(longitude=longitude, latitude=0), [TROUT])[TROUT]["rangeKm"] == 0
    row = _status(found, Site(longitude=-178, latitude=0), [TROUT])[TROUT]
    assert row["rangeKm"] == pytest.approx(111.319, abs=0.01)
    one_side = _plain(tmp_path, [shapely.box(170, -1, 180, 1)], species=[TROUT])
    assert _status(one_side, Site(longitude=-180, latitude=0), [TROUT])[TROUT]["rangeClass"] == "extant"
    cap = _plain(tmp_path, [shapely.box(-180, 80, 180, 90)], species=[TROUT])
    assert _status(cap, Site(longitude=12, latitude=90), [TROUT])[TROUT]["rangeClass"] == "extant"
    assert _status(cap, Site(longitude=12, latitude=79), [TROUT])[TROUT]["rangeKm"] == pytest.approx(
        111.66, abs=0.05
    )


# Names


def test_names_are_resolved_counted_and_said() -> None:
    found = _map("names.geojson")
    assert [polygon.species for polygon in found.polygons] == ["Lepomis cyanellus"]
    text = "\n".join(found.notes)
    assert "Apomotis cyanellus read as Lepomis cyanellus" in text
    assert "2 polygons without a species name left aside" in text
    assert "3 polygons left aside: 2 names not on the checklist, such as Lepomis cyanellus × " in text
    assert "1 line or point left aside" in text
    assert all("names.geojson: " in note for note in found.notes)


def test_genus_and_epithet_in_two_columns() -> None:
    found = _map("genus_and_epithet.geojson")
    assert found.species == {"Lepomis gulosus"}
    assert any("1 polygon without a species name" in note for note in found.notes)


def test_a_name_that_was_split_is_taken_at_its_word_where_both_have_a_map() -> None:
    rows = _status(_map("split_species.geojson"))
    assert rows["megalotis"]["words"] == "inside a polygon: extant, native"
    assert rows["peltastes"]["rangeClass"] == "outside"
    both = _status(
        RangeMap.read([str(DATA / "broad_name.geojson"), str(DATA / "split_species.geojson")], SUNFISHES)
    )
    assert both["peltastes"]["rangeClass"] == "outside"


def _around(folder: Path, longitude: float, latitude: float) -> RangeMap:
    """A square range polygon under the old name of the longear, native."""
    square = shapely.box(longitude - 1, latitude - 1, longitude + 1, latitude + 1)
    old = {"scientificName": ["Lepomis megalotis"], "presence": [1], "origin": [1]}
    path = folder / "old.parquet"
    gpd.GeoDataFrame(old, geometry=[square], crs=4326).to_parquet(path)
    return RangeMap.read([str(path)], SUNFISHES)


@pytest.mark.parametrize(
    ("longitude", "latitude", "meant"),
    [(-98.0, 31.0, "megalotis"), (-92.5, 31.2, "megalotis"), (-84.5, 43.5, "peltastes")],
)
def test_a_polygon_under_the_old_name_speaks_only_of_who_lives_there(
    longitude: float, latitude: float, meant: str, tmp_path: Path
) -> None:
    """No map makes the northern sunfish native in Texas or Louisiana, nor the longear in Michigan."""
    site = Site(longitude=longitude, latitude=latitude)
    for row in status_at(
        _around(tmp_path, longitude, latitude), site, ["Lepomis megalotis", "Lepomis peltastes"]
    ):
        native = row["scientificName"].endswith(meant)
        assert (row["rangeClass"], row["establishmentMeans"]) == (
            ("extant", "native") if native else ("outside", None)
        )


def test_a_name_that_was_split_speaks_for_both_where_both_live(tmp_path: Path) -> None:
    site = Site(longitude=-88.2, latitude=40.1)
    found = status_at(_around(tmp_path, -88.2, 40.1), site, ["Lepomis megalotis", "Lepomis peltastes"])
    rows = {row["scientificName"].split()[1]: row for row in found}
    for name in ("megalotis", "peltastes"):
        assert rows[name]["rangeClass"] == "extant"
        assert rows[name]["words"].endswith(
            "of Lepomis megalotis, which may mean Lepomis megalotis or Lepomis peltastes"
        )


def test_a_file_without_species_names_lists_its_columns() -> None:
    with pytest.raises(
        PoolBuilderError, match=r"no_species\.geojson: no column of species names among layer, presence"
    ) as caught:
        _map("no_species.geojson")
    assert "scientificName, binomial or sci_name" in str(caught.value)


@pytest.mark.parametrize(
    "column",
    [
        "scientificName",
        "binomial",
        "BINOMIAL",
        "sci_name",
        "SCI_NAME",
        "species",
        "dwc:scientificName",
        "Scientific Name",
    ],
)
def test_species_columns_of_common_files(column: str, tmp_path: Path) -> None:
    assert _plain(tmp_path, [shapely.box(0, 0, 1, 1)], **{column: [TROUT]}).species == {TROUT}


def test_unknown_codes_are_said_and_not_used() -> None:
    found = _map("odd_codes.geojson")
    text = "\n".join(found.notes)
    assert "presence '9' of 1 polygon is no published code or term: not used" in text
    assert "origin 'stocked?' of 1 polygon is no published code or term: not used" in text
    rows = _status(found)
    assert (rows["cyanellus"]["rangeClass"], rows["cyanellus"]["establishmentMeans"]) == ("extant", None)
    assert (rows["gulosus"]["rangeClass"], rows["gulosus"]["establishmentMeans"]) == (
        "possibly_extinct",
        "native",
    )


def test_a_map_without_status_says_so_and_carries_its_citation() -> None:
    found = _map("plain.geojson")
    assert any("no polygon says whether the species is native" in note for note in found.notes)
    assert found.sources[0]["citations"] == ["Invented Atlas of Invented Waters, 2020"]
    assert set(found.sources[0]) == {"path", "layer", "sha256", "rows", "citations"}


def test_several_files_make_one_map(tmp_path: Path) -> None:
    frame = gpd.GeoDataFrame(
        {"sci_name": ["Lepomis gulosus"], "PRESENCE": [1], "ORIGIN": [1], "SEASONAL": [1]},
        geometry=[shapely.box(-92, 36, -90, 38)],
        crs=4326,
    )
    frame.to_crs(5070).to_file(tmp_path / "r.gpkg", layer="warmouth")
    found = RangeMap.read([f"{tmp_path / 'r.gpkg'}:warmouth", str(DATA / "plain.geojson")], SUNFISHES)
    assert len(found.polygons) == 2
    assert len(found.sources) == 2
    assert _status(found)["gulosus"]["establishmentMeans"] == "native"


# Features for maps


def test_polygons_near_are_cut_thinned_and_json() -> None:
    found = _map("codes.geojson")
    features = found.polygons_near(SITE)
    names = [feature["properties"]["scientificName"] for feature in features]
    assert names.count("Lepomis cyanellus") == 1  # the introduced one is far away
    assert json.loads(json.dumps(features, allow_nan=False)) == features
    first = features[0]["properties"]
    assert first == {
        "scientificName": "Lepomis cyanellus",
        "rangeClass": "extant",
        "establishmentMeans": "native",
        "words": "extant, native, resident",
    }
    for feature in features:
        shape = shapely.from_geojson(json.dumps(feature["geometry"]))
        assert shape.is_valid
        assert shape.geom_type == "MultiPolygon"


def test_polygons_near_keep_the_edge_within_a_thousandth(tmp_path: Path) -> None:
    angle = np.linspace(0, 2 * np.pi, 20_001)[:-1]
    wiggle = 1 + 0.001 * np.sin(900 * angle)
    shape = shapely.Polygon(np.column_stack([-91 + wiggle * np.cos(angle), 37 + wiggle * np.sin(angle)]))
    found = _plain(tmp_path, [shape], species=[TROUT])
    (feature,) = found.polygons_near(SITE, 400)
    thin = shapely.from_geojson(json.dumps(feature["geometry"]))
    assert shapely.get_num_coordinates(thin) < 2000
    assert thin.hausdorff_distance(shape) < 400 / 111 / 500
    assert found.polygons_near(Site(longitude=0, latitude=0)) == []


def test_polygons_near_across_the_antimeridian(tmp_path: Path) -> None:
    found = _plain(tmp_path, [shapely.box(-180, -1, -179, 1)], species=[TROUT])
    assert len(found.polygons_near(Site(longitude=179.9, latitude=0))) == 1


# Tables of regions


def _table(folder: Path, text: str) -> str:
    path = folder / "ranges.csv"
    path.write_text(text)
    return str(path)


def test_a_table_of_regions_with_their_polygons_is_read_as_ranges(tmp_path: Path) -> None:
    squares = [shapely.box(-92, 36, -90, 38), shapely.box(-88, 36, -86, 38)]
    basins = tmp_path / "basins.parquet"
    gpd.GeoDataFrame({"basin": ["Heron", "Otter"]}, geometry=squares, crs=4326).to_parquet(basins)
    table = _table(
        tmp_path,
        "region,scientificName,establishmentMeans\nHeron,Lepomis gulosus,native\nOtter,Lepomis auritus,introduced\n"
        "Heron,Lepomis humilis,odd\n",
    )
    found = RangeMap.read([f"{table}:{basins}"], SUNFISHES)
    assert any("1 row set aside, such as row 4: status 'odd'" in note for note in found.notes)
    rows = _status(found)
    assert [rows["gulosus"][key] for key in ("rangeClass", "establishmentMeans", "words")] == [
        "extant",
        "native",
        "inside a polygon: Heron, native",
    ]
    assert rows["auritus"]["rangeClass"] == "outside"
    assert rows["auritus"]["rangeKm"] == pytest.approx(267, abs=1)
    assert rows["humilis"]["rangeClass"] == "no_map"


def test_states_and_countries_of_a_table_need_no_layer_and_units_do(tmp_path: Path) -> None:
    state = _table(tmp_path, "State,Species,Status\nMissouri,Lepomis gulosus,native\n")
    assert _status(RangeMap.read([state], SUNFISHES))["gulosus"]["rangeKm"] == 0
    unit = _table(tmp_path, "HUC4,Species,Status\n1101,Lepomis gulosus,native\n")
    with pytest.raises(PoolBuilderError, match=r"its regions have no polygons \(name their layer"):
        RangeMap.read([unit], SUNFISHES)
