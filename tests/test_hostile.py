"""Some mutated inputs for every reader; thousands are tried by hand with tests/bench/fuzz.py."""

from __future__ import annotations

import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from poolbuilder.errors import PoolBuilderError
from poolbuilder.fish.characters import read_traits
from poolbuilder.fish.notes import parse_fish
from poolbuilder.records.service.answers import records_table
from poolbuilder.settings import Settings
from tests import hostile

READERS = hostile.readers()


@pytest.mark.parametrize("name", READERS)
def test_no_mutated_input_is_lost(name: str) -> None:
    inputs = 8 if name == "service" else 40
    outcome = hostile.tried(name, READERS[name], seed=20, inputs=inputs)
    assert outcome.lost == []
    assert outcome.counts["refused"] + outcome.counts["read"] == outcome.counts["tried"] == inputs


@pytest.mark.parametrize("name", READERS)
def test_the_good_example_is_read_or_refused_for_a_reason(name: str, tmp_path: hostile.Path) -> None:
    """A reader whose good example is refused would be tried on nothing."""
    path = tmp_path / READERS[name].file
    path.write_bytes(READERS[name].seeds[0])
    READERS[name].read(path)


ANY = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=10,
)


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
