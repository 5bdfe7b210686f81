"""Some mutated inputs for every reader; thousands are tried by hand with tests/bench/fuzz.py."""

from __future__ import annotations

import csv
import io
import itertools
import json
import tempfile
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from poolbuilder import PoolBuilderError, Settings
from poolbuilder.fish.characters import read_traits
from poolbuilder.fish.notes import parse_fish
from poolbuilder.records.service.answers import records_table
from tests import hostile

READERS = hostile.readers()


@pytest.mark.parametrize("name", READERS)
def test_no_mutated_input_is_lost(name: str) -> None:
    inputs = 8 if name == "service" else 40
    outcome = hostile.tried(name, READERS[name], seed=20, inputs=inputs)
    assert outcome.lost == []
    assert outcome.counts["refused"] + outcome.counts["read"] == outcome.counts["tried"] == inputs


@pytest.mark.parametrize("name", READERS)
def test_the_good_example_is_read_or_refused_for_a_reason(name: str, tmp_path: Path) -> None:
    """A reader whose good example is refused would be tried on nothing."""
    path = tmp_path / READERS[name].file
    path.write_bytes(READERS[name].seeds[0])
    READERS[name].read(path)


ANY = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=10,
)


def read_or_one_line(name: str, content: bytes) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / READERS[name].file
        path.write_bytes(content)
        try:
            READERS[name].read(path)
        except PoolBuilderError as error:
            lines = str(error).splitlines()
            assert len(lines) == 1, lines


ODD_CELLS = [
    "",
    "nan",
    "-inf",
    "1e999",
    "9" * 400,
    "Lepomis gulosus",
    "36.9",
    "-91.2",
    "=1",
    "\x00",
    "\u202e",
    "; ; 1",
]
CELLS = st.text(max_size=10) | st.sampled_from(ODD_CELLS) | st.floats().map(str)


@pytest.mark.parametrize(
    "name",
    ["records", "waters", "species list", "crosses", "region list", "statements", "traits", "fish table"],
)
@given(st.data())
@settings(deadline=None, derandomize=True, max_examples=25)
def test_any_cells_under_the_right_headings_are_read_or_one_line(name: str, data: st.DataObject) -> None:
    heading, first = itertools.islice(csv.reader(READERS[name].seeds[0].decode().splitlines()), 2)
    cells = [st.just(value) | CELLS for value in first]
    sink = io.StringIO()
    csv.writer(sink).writerows([heading, *data.draw(st.lists(st.tuples(*cells), min_size=1, max_size=3))])
    read_or_one_line(name, sink.getvalue().encode("utf-8", "surrogatepass"))


@pytest.mark.parametrize("name", ["waters", "species list", "crosses", "region list", "traits", "fish table"])
@pytest.mark.parametrize("more", [b'"never closed,' + b"A" * 200_000, b"A" * 200_000 + b",1,1", b"\x00,1,1"])
def test_a_quote_never_closed_and_a_cell_without_end_are_one_line(name: str, more: bytes) -> None:
    """As where nothing has raised the limit of a cell, which the readers of records and statements do for themselves."""
    before = csv.field_size_limit(131_072)
    try:
        read_or_one_line(name, READERS[name].seeds[0] + more)
    finally:
        csv.field_size_limit(before)


@pytest.mark.parametrize("name", ["settings", "plan"])
@given(st.data())
@settings(deadline=None, derandomize=True, max_examples=40)
def test_any_values_of_known_keys_are_read_or_one_line(name: str, data: st.DataObject) -> None:
    lines = READERS[name].seeds[0].decode().splitlines()
    for _ in range(data.draw(st.integers(1, 3))):
        at = data.draw(st.integers(0, len(lines) - 1))
        value = json.dumps(data.draw(ANY)).replace(": ", " = ")
        lines[at] = lines[at].split(" = ")[0] + f" = {value}" if " = " in lines[at] else lines[at]
    read_or_one_line(name, "\n".join(lines).encode("utf-8", "replace"))


NUMBERS = st.floats() | st.integers(-400, 400)
NESTED = st.recursive(
    NUMBERS | st.none() | st.text(max_size=3), lambda inner: st.lists(inner, max_size=5), max_leaves=20
)
RINGS = st.lists(st.tuples(NUMBERS, NUMBERS), min_size=3, max_size=6).map(lambda ring: [[*ring, ring[0]]])
SHAPES = st.fixed_dictionaries(
    {
        "type": st.sampled_from(["Point", "MultiPoint", "LineString", "Polygon", "MultiPolygon", "Curve"]),
        "coordinates": NESTED | RINGS,
    }
)


@given(st.lists(st.fixed_dictionaries({"properties": ANY, "geometry": SHAPES | ANY}), max_size=3))
@settings(deadline=None, derandomize=True, max_examples=100)
def test_any_features_are_a_layer_or_one_line(features: list[dict[str, object]]) -> None:
    document = {"type": "FeatureCollection", "features": [{"type": "Feature", **item} for item in features]}
    read_or_one_line("GeoJSON", json.dumps(document).encode())


COLUMNS = st.one_of(
    st.tuples(st.text(max_size=8), st.text(max_size=8)),
    st.tuples(NUMBERS.map(float), st.none()),
    st.tuples(st.integers(-(2**63), 2**63 - 1), st.integers(0, 9)),
    st.tuples(st.binary(max_size=8), st.binary(max_size=8)),
    st.tuples(st.lists(st.integers(0, 9), max_size=2), st.none()),
    st.tuples(st.datetimes(), st.datetimes()),
    st.tuples(st.booleans(), st.none()),
)
HEADINGS = [
    "scientificName",
    "decimalLatitude",
    "decimalLongitude",
    "eventDate",
    "individualCount",
    "occurrenceID",
]


@given(st.fixed_dictionaries(dict.fromkeys(HEADINGS, COLUMNS)))
@settings(deadline=None, derandomize=True, max_examples=100)
def test_any_columns_of_parquet_are_read_or_one_line(columns: dict[str, tuple[object, object]]) -> None:
    sink = io.BytesIO()
    pq.write_table(pa.table({name: list(values) for name, values in columns.items()}), sink)
    read_or_one_line("parquet", sink.getvalue())


@given(st.dictionaries(st.text(max_size=20), ANY, max_size=5), st.integers(0, 10**6))
@settings(deadline=None, derandomize=True, max_examples=100)
def test_every_answer_becomes_one_record_of_its_own(values: dict[str, object], number: int) -> None:
    table = records_table([values | {"key": number}, {"key": number + 1}], source="s")
    assert table["recordKey"].to_pylist() == [f"gbif:{number}", f"gbif:{number + 1}"]
    json.dumps(table.to_pylist()).encode()  # whatever was read can be written


@given(st.text(max_size=200) | st.from_regex(r"[a-z]+ = [0-9\\[\\]{}\"'\\n-]{1,40}", fullmatch=True))
@settings(deadline=None, derandomize=True, max_examples=100)
def test_any_text_is_a_fish_or_one_line(text: str) -> None:
    try:
        parse_fish(text, read_traits(), settings=Settings())
    except PoolBuilderError as error:
        lines = str(error).splitlines()
        assert len(lines) == 1, lines
