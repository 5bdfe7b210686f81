"""Which record is which: hashes of record keys, and which version of a record is the newest.

A ledger has one row per record, sorted by `hash`: 96 bits of hash of the record's key, its
row in the file, and when it was last modified.  With 50 million records the chance that any
two keys agree in all 96 bits is about 2e-14.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

__all__ = [
    "LEDGER",
    "UNKNOWN",
    "Entries",
    "hashes_of",
    "ledger_of",
    "losers",
    "modified_order",
    "sorted_ledger",
]

LEDGER = np.dtype([("hash", "<u8"), ("check", "<u4"), ("row", "<u4"), ("modified", "<i8")])
UNKNOWN = np.int64(-1)
_SEEDS = (0, 0x5851F42D4C957F2D)
_CHUNK = 1 << 12
_FEW_LENGTHS = 8
_DATE_PLACES = (0, 1, 2, 3, 5, 6, 8, 9, 11, 12, 14, 15, 17, 18)

Hashes = NDArray[np.uint64]


@cache
def _weights(length: int, seed: int) -> Hashes:
    """Odd 64-bit weights for the bytes of a text (splitmix64; Steele et al. 2014)."""
    z = np.arange(1, length + 1, dtype=np.uint64) * np.uint64(0x9E3779B97F4A7C15) + np.uint64(seed)
    z = (z ^ z >> np.uint64(30)) * np.uint64(0xBF58476D1CE4E5B9)
    z = (z ^ z >> np.uint64(27)) * np.uint64(0x94D049BB133111EB)
    return (z ^ z >> np.uint64(31)) | np.uint64(1)


def _bytes_of(column: pa.Array) -> tuple[NDArray[np.int64], NDArray[np.uint8]]:
    """Ends of the texts of a string array, from 0, and their bytes."""
    count = len(column)
    _, ends, data = column.buffers()
    offsets = np.frombuffer(ends, dtype=np.int32, count=count + 1, offset=4 * column.offset).astype(np.int64)
    raw = np.zeros(0, np.uint8) if data is None else np.frombuffer(data, dtype=np.uint8)
    return offsets - offsets[0], raw[offsets[0] : offsets[-1]]


def _sums(ends: NDArray[np.int64], raw: NDArray[np.uint8]) -> Hashes:
    """Weighted sums of the bytes of each text, (2, n): one for each seed.

    Identifiers mostly have a few lengths; texts of one length are summed as a matrix.
    """
    lengths = np.diff(ends)
    count, most = len(lengths), int(lengths.max(initial=0))
    longest = 1 << max(6, most.bit_length())
    weights = np.stack([_weights(longest, seed) for seed in _SEEDS])
    upto = np.cumsum(weights[:, :most], axis=1, dtype=np.uint64)
    upto = np.concatenate([np.zeros((2, 1), np.uint64), upto], axis=1)
    sums = upto[:, lengths]  # every byte counts as itself plus one
    met = np.flatnonzero(np.bincount(lengths, minlength=1))
    if len(met) > _FEW_LENGTHS:
        place = np.arange(len(raw)) - np.repeat(ends[:-1], lengths)
        letters, running = raw.astype(np.uint64), np.zeros(len(raw) + 1, dtype=np.uint64)
        for seed in range(len(_SEEDS)):
            np.cumsum(letters * weights[seed][place], out=running[1:])
            sums[seed] += running[ends[1:]] - running[ends[:-1]]
        return sums
    for length in met.tolist():
        rows = np.flatnonzero(lengths == length)
        if len(rows) == count:
            letters = raw.reshape(count, length).astype(np.uint64)
        else:
            letters = raw[ends[rows][:, None] + np.arange(length)].astype(np.uint64)
        for seed in range(len(_SEEDS)):
            sums[seed, rows] += np.einsum("ij,j->i", letters, weights[seed, :length])
    return sums


def _multilinear(ends: NDArray[np.int64], raw: NDArray[np.uint8]) -> tuple[Hashes, Hashes]:
    """Two independent hashes of each text: weighted sums of its bytes, mixed."""
    found = []
    for mixed in _sums(ends, raw):
        mixed ^= mixed >> np.uint64(29)
        mixed *= np.uint64(0xBF58476D1CE4E5B9)
        found.append(mixed ^ mixed >> np.uint64(32))
    return found[0], found[1]


def _chunks(column: pa.ChunkedArray) -> Iterator[pa.Array]:
    for chunk in column.chunks:
        for start in range(0, len(chunk), _CHUNK):
            yield chunk.slice(start, _CHUNK)


def modified_order(column: pa.ChunkedArray) -> NDArray[np.int64]:
    """`modified` as a number that sorts like the time; -1 where there is no ISO 8601 date.

    20240105093000 stands for 2024-01-05T09:30:00; missing parts are 0, time zones are ignored.
    """
    parts = [np.zeros(0, np.int64)]
    for chunk in _chunks(column):
        count = len(chunk)
        if chunk.null_count == count:
            parts.append(np.full(count, UNKNOWN))
            continue
        ends, raw = _bytes_of(chunk)
        padded = np.concatenate([raw, np.zeros(19, np.uint8)])
        text = padded[ends[:-1, None] + np.arange(19)]
        text = np.where(np.arange(19) < np.diff(ends)[:, None], text, 0)
        digits = text[:, _DATE_PLACES].astype(np.int64) - ord("0")
        is_digit = (digits >= 0) & (digits <= 9)
        known = is_digit[:, :4].all(axis=1) & ((text[:, 4] == 0) | (text[:, 4] == ord("-")))
        upto = np.logical_and.accumulate(is_digit, axis=1)
        value = np.where(upto, digits, 0) @ (10 ** np.arange(13, -1, -1, dtype=np.int64))
        parts.append(np.where(known, value, UNKNOWN))
    return np.concatenate(parts)


def hashes_of(keys: pa.ChunkedArray) -> tuple[Hashes, NDArray[np.uint32]]:
    """The 64 and the 32 bits of hash of each key."""
    first, second = np.zeros(len(keys), np.uint64), np.zeros(len(keys), np.uint32)
    start = 0
    for chunk in _chunks(keys):
        part = slice(start, start + len(chunk))
        first[part], more = _multilinear(*_bytes_of(chunk))
        second[part] = more >> np.uint64(32)
        start += len(chunk)
    return first, second


def sorted_ledger(
    hashes: Hashes, checks: NDArray[np.uint32], modified: NDArray[np.int64]
) -> NDArray[np.void]:
    """The ledger of rows in the order of a file, sorted by hash, then row."""
    rows = np.zeros(len(hashes), dtype=LEDGER)
    rows["hash"], rows["check"], rows["modified"] = hashes, checks, modified
    rows["row"] = np.arange(len(hashes), dtype=np.uint32)
    found = rows.take(_by_leading_bits(hashes))  # seven times as quick as an index
    if (found["hash"][1:] < found["hash"][:-1]).any():  # alike in the leading bits: hardly ever
        found = rows.take(np.argsort(hashes, kind="stable"))
    return found


def _by_leading_bits(hashes: Hashes) -> NDArray[np.int64]:
    """Positions by the leading bits of hashes, then row: a plain sort, quicker than an argsort."""
    bits = np.uint64(max(1, len(hashes).bit_length()))
    both = hashes >> bits << bits | np.arange(len(hashes), dtype=np.uint64)
    both.sort()
    return (both & ((np.uint64(1) << bits) - np.uint64(1))).astype(np.int64)


def ledger_of(keys: pa.ChunkedArray, modified: pa.ChunkedArray) -> NDArray[np.void]:
    """The ledger of the rows of a file, sorted by hash, then row."""
    return sorted_ledger(*hashes_of(keys), modified_order(modified))


@dataclass(frozen=True, kw_only=True)
class Entries:
    """One file's or run's part in finding the newest versions.

    ``arrival`` maps its rows to the order in which they came; None for rows of the store, of
    which there is at most one per key and which came before all others.  ``alive`` tells which
    rows still count.
    """

    ledger: NDArray[np.void]
    alive: NDArray[np.bool_] | None = None
    arrival: NDArray[np.int64] | None = None


def losers(parts: Sequence[Entries], *, at_once: int = 4_000_000) -> list[NDArray[np.int64]]:
    """Rows of each part that a newer version of the same record replaces.

    The version modified last wins; where a version does not say when it was modified, the one
    that came last.  Works through the hashes in slices, so memory is bounded by *at_once* rows.

    Returns
    -------
    list of int64 arrays
        For each part, rows in ascending order.
    """
    total = sum(len(part.ledger) for part in parts)
    slices = max(1, -(-total // at_once))
    found: list[list[NDArray[np.int64]]] = [[] for _ in parts]
    width = (1 << 64) // slices
    for number in range(slices):
        first = np.uint64(number * width)
        last = None if number == slices - 1 else np.uint64((number + 1) * width)
        for which, rows in _losers_between(parts, first, last):
            found[which].append(rows)
    return [np.sort(np.concatenate(rows)) if rows else np.zeros(0, np.int64) for rows in found]


def _between(ledger: NDArray[np.void], start: int, stop: int) -> NDArray[np.void]:
    """Rows of a ledger; read where it is a mapped file, for mapped pages would stay in memory."""
    if not isinstance(ledger, np.memmap):
        return ledger[start:stop]
    offset = ledger.offset + start * ledger.itemsize
    return np.fromfile(str(ledger.filename), dtype=LEDGER, count=stop - start, offset=offset)


def _losers_between(
    parts: Sequence[Entries], first: np.uint64, last: np.uint64 | None
) -> Iterator[tuple[int, NDArray[np.int64]]]:
    pieces = []
    for part in parts:
        hashes = part.ledger["hash"]
        start = int(np.searchsorted(hashes, first))
        stop = len(hashes) if last is None else int(np.searchsorted(hashes, last))
        piece = _between(part.ledger, start, stop)
        pieces.append(piece if part.alive is None else piece[part.alive[piece["row"]]])
    ranked = np.sort(np.concatenate([piece["hash"] for piece in pieces]))
    twice = np.unique(ranked[1:][ranked[1:] == ranked[:-1]])
    if len(twice) == 0:
        return
    owners, arrivals = [], []
    for which, part in enumerate(parts):
        piece = pieces[which]
        near = np.minimum(np.searchsorted(twice, piece["hash"]), len(twice) - 1)
        pieces[which] = piece = piece[twice[near] == piece["hash"]]
        owners.append(np.full(len(piece), which, dtype=np.int32))
        came = np.full(len(piece), -1, np.int64) if part.arrival is None else part.arrival[piece["row"]]
        arrivals.append(came)
    every, owner, arrival = (np.concatenate(each) for each in (pieces, owners, arrivals))
    for which in np.unique(beaten := _beaten(every, arrival) * (owner + 1)):
        if which > 0:
            yield int(which) - 1, every["row"][beaten == which].astype(np.int64)


def _beaten(every: NDArray[np.void], arrival: NDArray[np.int64]) -> NDArray[np.int64]:
    """1 where a row is not the newest of its key, else 0.

    Rows of one key are taken in order of arrival.  One without a time replaces whatever came
    before it, so it opens a new round; within the last round the latest time wins, of equal
    ones the last arrival.
    """
    order = np.lexsort((arrival, every["check"], every["hash"]))
    ranked, came = every[order], arrival[order]
    new_key = np.ones(len(ranked), dtype=bool)
    new_key[1:] = (ranked["hash"][1:] != ranked["hash"][:-1]) | (ranked["check"][1:] != ranked["check"][:-1])
    key = np.cumsum(new_key)
    round_ = np.cumsum((ranked["modified"] == UNKNOWN) | new_key)
    best = np.lexsort((came, ranked["modified"], round_, key))
    last = np.ones(len(best), dtype=bool)
    last[:-1] = key[best][1:] != key[best][:-1]
    beaten = np.ones(len(ranked), dtype=np.int64)
    beaten[order[best[last]]] = 0
    return beaten
