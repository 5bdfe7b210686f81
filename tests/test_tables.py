"""Arrow columns and numpy arrays carry the same values both ways."""

from __future__ import annotations

import math
import subprocess
import sys

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from poolbuilder import PoolBuilderError, tables

texts = st.one_of(st.none(), st.text(st.characters(exclude_categories=["Cs"])))


@given(st.lists(texts))
def test_text_round_trip(values: list[str | None]) -> None:
    made = tables.array(values, pa.string())
    made.validate(full=True)
    assert tables.strings(made) == values


@given(st.lists(st.one_of(st.none(), st.integers(-(2**31), 2**31 - 1))))
def test_integer_round_trip(values: list[int | None]) -> None:
    made = tables.array(values, pa.int32())
    made.validate(full=True)
    assert made.to_pylist() == values


@given(st.lists(st.one_of(st.none(), st.floats(allow_nan=False))))
def test_number_round_trip(values: list[float | None]) -> None:
    found = tables.numbers(tables.array(values, pa.float64()))
    for given_value, got in zip(values, found, strict=True):
        assert (math.isnan(got) and given_value is None) or got == given_value


@given(st.lists(st.one_of(st.none(), st.lists(st.text("abc"), max_size=3))))
def test_lists_round_trip(values: list[list[str] | None]) -> None:
    made = tables.array(values, pa.list_(pa.string()))
    made.validate(full=True)
    assert made.to_pylist() == values


@given(st.lists(st.one_of(st.none(), st.booleans())))
def test_booleans_round_trip(values: list[bool | None]) -> None:
    made = tables.array(values, pa.bool_())
    assert made.to_pylist() == values
    assert tables.flags(made).tolist() == [bool(value) for value in values]


def test_nan_becomes_null_and_slices_keep_their_place() -> None:
    made = tables.array(np.array([1.0, np.nan, 3.0]), pa.float64())
    assert made.to_pylist() == [1.0, None, 3.0]
    assert tables.numbers(made.slice(1)).tolist()[1] == 3.0
    assert tables.valid(made.slice(1)).tolist() == [False, True]


def test_codes_number_the_distinct_values() -> None:
    code, distinct = tables.codes(pa.chunked_array([["b", None], ["a", "b"]]))
    assert code.tolist() == [0, -1, 1, 0]
    assert distinct == ["b", "a"]


@given(st.lists(st.one_of(st.none(), st.lists(st.text("abc"), max_size=3))), st.integers(0, 3))
def test_lengths_of_lists(values: list[list[str] | None], start: int) -> None:
    made = tables.array(values, pa.list_(pa.string())).slice(start)
    assert tables.lengths(made).tolist() == [len(value or ()) for value in values[start:]]


@given(st.lists(st.tuples(st.sampled_from("ab"), st.integers(0, 3))))
def test_order_is_that_of_sort_by(rows: list[tuple[str, int]]) -> None:
    made = pa.table({"name": [name for name, _ in rows], "size": [size for _, size in rows]})
    if rows:
        keys = [("name", "ascending"), ("size", "descending")]
        assert tables.take(made, tables.order(made, keys)).equals(made.sort_by(keys))


def test_spread_and_cast_keep_nulls() -> None:
    names = tables.array(["a", None, "c"], pa.string())
    assert tables.spread(names, np.array([2, 0, -1, 1])).to_pylist() == ["c", "a", None, None]
    assert tables.cast(names.dictionary_encode(), pa.string()).equals(names)
    assert tables.cast(names, pa.string()) is names


def test_a_table_needs_exactly_its_columns() -> None:
    schema = pa.schema([("a", pa.int32())])
    with pytest.raises(PoolBuilderError, match="missing"):
        tables.table(schema, {})
    with pytest.raises(PoolBuilderError, match="unknown"):
        tables.table(schema, {"a": [1], "b": [2]})


def test_nothing_here_imports_pandas() -> None:
    program = """
import sys, numpy as np, pyarrow as pa
from poolbuilder import tables
schema = pa.schema([("a", pa.float64()), ("b", pa.string()), ("c", pa.list_(pa.string())), ("d", pa.bool_())])
t = tables.table(schema, {"a": [1, None], "b": ["x", None], "c": [["p"], []], "d": [True, None]})
tables.numbers(t["a"]); tables.codes(t["b"]); tables.strings(t["b"]); tables.flags(t["d"])
tables.where(t, np.array([True, False])).to_pylist()
sys.exit("pandas" in sys.modules)
"""
    assert subprocess.run([sys.executable, "-c", program], check=False).returncode == 0


def test_codes_of_rows_do_not_depend_on_what_else_the_dictionary_holds() -> None:
    whole = pa.array(["x", "b", None, "a", "b"]).dictionary_encode()
    for column in (whole[1:], whole[1:].cast(pa.string())):
        code, texts = tables.codes(column)
        assert (code.tolist(), texts) == ([0, -1, 1, 0], ["b", "a"])


@given(st.lists(st.text("ab\x00é", max_size=12), min_size=0, max_size=60), st.integers(0, 3))
def test_texts_are_sorted_by_their_letters(texts: list[str], shared: int) -> None:
    texts = ["urn:" * shared + text for text in texts]
    column = tables.array(texts, pa.string())
    expected = sorted(range(len(texts)), key=lambda row: texts[row].encode())
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(tables, "FEW", 2)
        assert tables.text_order(column).tolist() == expected
        ranks = {text: place for place, text in enumerate(sorted(set(texts), key=str.encode))}
        assert tables.text_rank(column).tolist() == [ranks[text] for text in texts]


def test_rows_are_numbered_by_the_combinations_of_their_keys() -> None:
    one, two = np.array([5, 5, -1, 5]), np.array([2**60, -(2**60), 2**60, 2**60])
    code, first = tables.numbered(one, two)
    assert (code.tolist(), first.tolist()) == ([0, 1, 2, 0], [0, 1, 2])


def test_columns_without_a_value_stay_so_when_rows_are_taken() -> None:
    table = pa.table(
        {"a": pa.array([1, 2, 3]), "b": pa.nulls(3, pa.string()), "c": pa.nulls(3, pa.float64())}
    )
    assert tables.take(table, np.array([2, 0])).to_pydict() == {"a": [3, 1], "b": [None] * 2, "c": [None] * 2}
