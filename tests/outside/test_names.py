"""Names against published rules, vocabularies and a reference parser."""

from __future__ import annotations

import csv
from itertools import combinations
from pathlib import Path

import nameparser
import pytest

from poolbuilder import Checklist
from poolbuilder.names.checklist import SHIPPED, write_formula
from poolbuilder.names.reader import read_name, split_formula
from poolbuilder.names.vocabularies import ESTABLISHMENT_MEANS

SUNFISHES = Checklist.load("lepomis")


# International Code of Nomenclature for algae, fungi, and plants (Shenzhen Code, 2018), Art. H.2.1:
# a hybrid between named taxa may be indicated by placing the multiplication sign between the names;
# the whole expression is then called a hybrid formula.  Its examples, of plants (from memory), are all split.
@pytest.mark.parametrize(
    ("formula", "parents"),
    [
        (
            "Agrostis stolonifera × Polypogon monspeliensis",
            ("Agrostis stolonifera", "Polypogon monspeliensis"),
        ),
        ("Salix aurita × S. caprea", ("Salix aurita", "S. caprea")),
        ("Mentha aquatica × M. arvensis × M. spicata", ("Mentha aquatica", "M. arvensis", "M. spicata")),
    ],
)
def test_the_codes_own_formulae_are_split_at_the_sign(formula: str, parents: tuple[str, ...]) -> None:
    found = split_formula(formula)
    assert found is not None
    assert found.parts == parents
    assert found.signed


# Same code, Rec. H.2A.1: it is usually preferable to place the names in a formula in alphabetical order;
# the direction of a cross may be indicated by the sexual symbols.
def test_formulae_are_written_in_alphabetical_order_with_the_sign() -> None:
    for pair in combinations(SUNFISHES.species, 2):
        formula = write_formula(reversed(pair))
        assert formula == f"{pair[0]} \N{MULTIPLICATION SIGN} {pair[1]}"


def test_direction_follows_the_symbols_and_not_the_order() -> None:
    reading = read_name("Lepomis gulosus ♀ × Lepomis cyanellus ♂", SUNFISHES)
    assert reading.formula == "Lepomis cyanellus × Lepomis gulosus"
    assert reading.parent_order == "male,female"


# Darwin Core, controlled vocabulary of establishmentMeans (TDWG 2021): seven strings.
def test_the_vocabulary_of_establishment_means() -> None:
    published = (
        "native nativeReintroduced introduced introducedAssistedColonisation vagrant uncertain nativeEndemic"
    )
    assert set(ESTABLISHMENT_MEANS) == set(published.split())
    assert len(ESTABLISHMENT_MEANS) == 7


# The general name parser `gbif-name-parser` as reference: where it sees a plain name with an author, it and
# the quick reading here must agree on genus and epithet.
AUTHORS = [
    "",
    "Rafinesque",
    "Rafinesque, 1819",
    "(Linnaeus, 1758)",
    "(Cuvier in Cuvier & Valenciennes, 1829)",
]


@pytest.mark.parametrize("author", AUTHORS)
@pytest.mark.parametrize("name", SHIPPED)
def test_plain_names_agree_with_the_reference_parser(name: str, author: str) -> None:
    checklist = Checklist.load(name)
    for species in checklist.species:
        parsed = nameparser.parse(f"{species} {author}".strip())
        reading = read_name(f"{species} {author}".strip(), checklist, year=2020)
        assert reading.accepted == (f"{parsed.genus} {parsed.specific_epithet}",)


def test_the_reference_parser_calls_a_formula_a_formula() -> None:
    for pair in combinations(SUNFISHES.species, 2):
        with pytest.raises(nameparser.UnparsableNameError) as caught:
            nameparser.parse(write_formula(pair))
        assert caught.value.name_type == "FORMULA"


# Page, Espinosa-Pérez and others 2013, Common and scientific names of fishes from the United States, Canada,
# and Mexico, 7th edition (from memory): thirteen species of Lepomis, the northern sunfish among them.
# Harris, Roe & Mayden 2005, Copeia 2005:340-346, still counted twelve.
def test_thirteen_recognised_sunfishes() -> None:
    assert len(SUNFISHES.species) == 13
    assert len(set(SUNFISHES.species) - {"Lepomis peltastes"}) == 12


# -- published surveys -------------------------------------------------------------------


def _names(path: Path, column: str) -> dict[str, int]:
    counts: dict[str, int] = {}
    with path.open(encoding="utf-8", newline="") as stream:
        for row in csv.DictReader(stream, delimiter="\t", quoting=csv.QUOTE_NONE):
            counts[row[column]] = counts.get(row[column], 0) + 1
    return counts


def _by_role(counts: dict[str, int]) -> dict[str, tuple[int, int]]:
    """Role to distinct names and rows."""
    found: dict[str, tuple[int, int]] = {}
    for name, count in counts.items():
        role = read_name(name, SUNFISHES).role
        names, rows = found.get(role, (0, 0))
        found[role] = (names + 1, rows + count)
    return found


# Fish surveys of a US observatory network, 2016-2021; the counts are those of its description.
def test_every_name_of_the_fish_surveys_is_accounted_for(shared_data: Path) -> None:
    counts = _names(shared_data / "fish_surveys" / "occurrence.txt", "scientificName")
    assert _by_role(counts) == {"candidate": (7, 515), "genus": (1, 54), "group": (138, 5997)}
    assert len(counts) == 7 + 1 + 138


# Stream surveys of one US state, vernacular names in capitals.
def test_every_name_of_the_stream_surveys_is_accounted_for(shared_data: Path) -> None:
    counts = _names(shared_data / "stream_surveys" / "occurrence.txt", "vernacularName")
    expected = {
        "candidate": (7, 2060),
        "hybrid": (4, 41),
        "genus": (2, 3),
        "none": (1, 106),
        "group": (102, 13561),
    }
    assert _by_role(counts) == expected
    for name in ("BLUESPOTTED SUNFISH", "BANDED SUNFISH", "MUD SUNFISH", "CYPRINID HYBRID"):
        assert read_name(name, SUNFISHES).role == "group"
