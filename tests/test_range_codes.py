"""Every combination of presence, origin and season, with the class that it gives."""

from __future__ import annotations

from itertools import product

import pytest

from poolbuilder.names.vocabularies import ESTABLISHMENT_MEANS
from poolbuilder.status.polygons import ORIGIN, PRESENCE, SEASONAL, STRENGTH, polygon_class, read_code

# Written by hand from the published meanings of the codes, one row per presence, one column per origin 1 to 6:
# native, reintroduced, introduced, vagrant, origin uncertain, assisted colonisation.
TABLE = {
    1: ("extant", "extant", "introduced", "vagrant", "extant", "introduced"),
    2: ("probably_extant", "probably_extant", "introduced", "vagrant", "probably_extant", "introduced"),
    3: (
        "possibly_extant",
        "possibly_extant",
        "possibly_extant",
        "vagrant",
        "possibly_extant",
        "possibly_extant",
    ),
    4: ("possibly_extinct",) * 6,
    5: ("extinct",) * 6,
    6: ("uncertain",) * 6,
    7: ("outside",) * 6,
}
MEANS = (
    "native",
    "nativeReintroduced",
    "introduced",
    "vagrant",
    "uncertain",
    "introducedAssistedColonisation",
)


@pytest.mark.parametrize(
    ("presence", "origin", "seasonal"), [*product(range(1, 8), range(1, 7), range(1, 6))]
)
def test_every_combination(presence: int, origin: int, seasonal: int) -> None:
    range_class, means, words = polygon_class(presence, origin, seasonal)
    assert range_class == TABLE[presence][origin - 1]
    assert means == (None if presence == 7 else MEANS[origin - 1])
    assert words == f"{PRESENCE[presence]}, {ORIGIN[origin]}, {SEASONAL[seasonal]}"


def test_table_covers_every_published_code() -> None:
    assert set(TABLE) == set(PRESENCE)
    assert len(ORIGIN) == len(MEANS) == 6
    assert len(SEASONAL) == 5
    assert set(MEANS) <= set(ESTABLISHMENT_MEANS)
    assert {name for row in TABLE.values() for name in row} == set(STRENGTH)


@pytest.mark.parametrize(
    ("codes", "expected"),
    [
        ((None, None, None), ("extant", None, "range as drawn")),
        ((None, 1, None), ("extant", "native", "range as drawn, native")),
        ((None, 3, None), ("introduced", "introduced", "range as drawn, introduced")),
        ((None, 4, None), ("vagrant", "vagrant", "range as drawn, vagrant")),
        ((1, None, None), ("extant", None, "extant")),
        ((5, None, 2), ("extinct", None, "extinct, breeding season")),
    ],
)
def test_codes_that_are_missing(codes, expected) -> None:
    assert polygon_class(*codes) == expected


@pytest.mark.parametrize(
    ("value", "kind", "expected"),
    [
        (1, "presence", (1, True)),
        (1.0, "presence", (1, True)),
        ("1", "presence", (1, True)),
        ("Extant", "presence", (1, True)),
        ("PRESENCE UNCERTAIN", "presence", (6, True)),
        ("Extinct Post-1500", "presence", (5, True)),
        (0, "presence", (None, False)),
        (8, "presence", (None, False)),
        (1.5, "presence", (None, False)),
        ("many", "presence", (None, False)),
        (None, "presence", (None, True)),
        ("", "presence", (None, True)),
        (float("nan"), "presence", (None, True)),
        (float("inf"), "presence", (None, False)),
        ("Assisted Colonisation", "origin", (6, True)),
        ("nativeEndemic", "origin", (1, True)),
        ("INTRODUCED", "origin", (3, True)),
        ("uncertain", "origin", (5, True)),
        ("stocked?", "origin", (None, False)),
        ("Breeding Season", "seasonal", (2, True)),
    ],
)
def test_codes_as_files_give_them(value, kind, expected) -> None:
    assert read_code(value, kind) == expected


@pytest.mark.parametrize("term", ESTABLISHMENT_MEANS)
def test_every_establishment_means_is_an_origin(term: str) -> None:
    code, known = read_code(term, "origin")
    assert known
    back = polygon_class(1, code, None)[1]
    assert back == ("native" if term == "nativeEndemic" else term)
