"""Records in transit: whether text came, or was held, as codes changes nothing that is written."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from poolbuilder.errors import TableError
from poolbuilder.records.store import Store, transit
from poolbuilder.records.store.ledger import Entries, ledger_of, losers, sorted_ledger
from poolbuilder.records.store.runs import order_of
from tests.rows import records
from tests.store_rows import added, everything, files, many_rows

MASK = (1 << 64) - 1


def _with_text(table: pa.Table, name: str, texts: list[str | None]) -> pa.Table:
    at = table.schema.get_field_index(name)
    return table.set_column(at, table.schema.field(name), pa.array(texts, pa.string()))


def _as_codes(table: pa.Table) -> pa.Table:
    """The same table with every text as codes."""
    parts = [column.dictionary_encode() if column.type == pa.string() else column for column in table.columns]
    return pa.Table.from_arrays(parts, names=table.schema.names)


def _three_kinds() -> list[pa.Table]:
    """Batches in which the locality repeats, never repeats, and is not given."""
    parts = [many_rows(3000, seed=seed, first=3000 * seed) for seed in range(3)]
    parts[0] = _with_text(parts[0], "locality", [("pond", "lake", None)[row % 3] for row in range(3000)])
    parts[1] = _with_text(parts[1], "locality", [f"reach {row}" for row in range(3000)])
    return parts


@pytest.mark.parametrize("run_bytes", [200_000, 192 << 20])
def test_codes_give_the_same_bytes_as_texts(tmp_path: Path, run_bytes: int) -> None:
    for name, change in (("texts", pa.Table.combine_chunks), ("codes", _as_codes)):
        store = Store(tmp_path / name, run_bytes=run_bytes)
        store.add_table(map(change, _three_kinds()), source={"path": "a", "sha256": "a"})
        assert everything(store).equals(pa.concat_tables(_three_kinds()).sort_by("recordKey"))
    assert files(tmp_path / "texts") == files(tmp_path / "codes")


def test_a_column_may_be_codes_texts_and_nothing_in_turn(tmp_path: Path) -> None:
    kinds = [transit.packed([part]).schema for part in _three_kinds()]
    assert [str(kind.field("locality").type) for kind in kinds[:2]] == [str(transit.CODES), "string"]
    assert "locality" not in kinds[2].names
    together, apart = Store(tmp_path / "together"), Store(tmp_path / "apart", run_bytes=200_000)
    for store in (together, apart):
        added(store, *_three_kinds())
    assert files(tmp_path / "together") == files(tmp_path / "apart")
    for part in _three_kinds():
        added(Store(tmp_path / "one by one"), part)
    Store(tmp_path / "one by one").compact()
    assert everything(Store(tmp_path / "one by one")).equals(everything(together))


@pytest.mark.parametrize("run_bytes", [1, 192 << 20])
def test_batches_with_codes_and_with_texts_go_together(tmp_path: Path, run_bytes: int) -> None:
    one, other, third = _three_kinds()
    store = Store(tmp_path, run_bytes=run_bytes)
    store.add_table([third, _as_codes(one), other, _as_codes(third)], source={"path": "a", "sha256": "a"})
    assert everything(store).equals(pa.concat_tables([one, other, third]).sort_by("recordKey"))


def test_codes_without_a_text_are_no_text(tmp_path: Path) -> None:
    table = records({"locality": "pond"}, {"locality": "lake"})
    odd = pa.DictionaryArray.from_arrays(pa.array([0, 1], pa.int32()), pa.array(["pond", None]))
    at = table.schema.get_field_index("locality")
    added(Store(tmp_path), table.set_column(at, "locality", odd))
    assert everything(Store(tmp_path))["locality"].to_pylist() == ["pond", None]
    at = table.schema.get_field_index("sourceFile")
    with pytest.raises(TableError, match="sourceFile holds nulls"):
        added(Store(tmp_path), table.set_column(at, "sourceFile", odd))
    at = table.schema.get_field_index("year")
    with pytest.raises(TableError, match="year is string, expected int32"):
        added(Store(tmp_path), table.set_column(at, "year", odd))


def _hash(text: bytes, seed: int) -> int:
    """The hash as its source defines it, in whole numbers: splitmix64 weights, one for each byte."""
    total = 0
    for place, byte in enumerate(text, start=1):
        z = (place * 0x9E3779B97F4A7C15 + seed) & MASK
        z = (z ^ z >> 30) * 0xBF58476D1CE4E5B9 & MASK
        z = (z ^ z >> 27) * 0x94D049BB133111EB & MASK
        total += (byte + 1) * ((z ^ z >> 31) | 1)
    total &= MASK
    total = (total ^ total >> 29) * 0xBF58476D1CE4E5B9 & MASK
    return total ^ total >> 32


@settings(deadline=None, derandomize=True, max_examples=60)
@given(keys=st.lists(st.text(max_size=90), max_size=30))
def test_a_key_has_the_same_hash_whatever_the_lengths_of_its_neighbours(keys: list[str]) -> None:
    seeds = (0, 0x5851F42D4C957F2D)
    column = pa.chunked_array([pa.array(["", *keys, "x"], pa.string()).slice(1, len(keys))])
    found = ledger_of(column, pa.chunked_array([pa.nulls(len(keys), pa.string())]))
    wanted = sorted(
        (_hash(key.encode(), seeds[0]), row, _hash(key.encode(), seeds[1]) >> 32)
        for row, key in enumerate(keys)
    )
    assert [(int(item["hash"]), int(item["row"]), int(item["check"])) for item in found] == wanted


def test_equal_hashes_stay_in_the_order_of_their_rows() -> None:
    keys = [f"key {row % 40}" for row in range(5000)]
    ledger = ledger_of(pa.chunked_array([keys]), pa.chunked_array([pa.nulls(5000, pa.string())]))
    assert (np.diff(ledger["hash"].astype(object) * 5000 + ledger["row"]) > 0).all()
    (lost,) = losers([Entries(ledger=ledger, arrival=np.arange(5000))], at_once=700)
    assert lost.tolist() == list(range(4960))


def test_hashes_that_differ_in_their_last_bits_are_sorted_by_these() -> None:
    hashes = np.array([9, 5, 4, 6, 5, 1 << 63], dtype=np.uint64)
    ledger = sorted_ledger(hashes, np.arange(6, dtype=np.uint32), np.full(6, -1))
    assert ledger["hash"].tolist() == sorted(hashes.tolist())
    assert ledger["row"].tolist() == ledger["check"].tolist() == [2, 1, 4, 3, 0, 5]


@settings(deadline=None, derandomize=True)
@given(st.lists(st.integers(0, 3) | st.integers(0, 2**32 - 1), max_size=40))
def test_rows_of_one_place_keep_their_order(codes: list[int]) -> None:
    wanted = np.argsort(codes, kind="stable")
    assert order_of(np.array(codes, dtype=np.uint32)).tolist() == wanted.tolist()
