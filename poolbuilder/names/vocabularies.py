"""Controlled vocabularies of Darwin Core, as published by TDWG; small tables, read however they are headed.

Sources: the lists of terms for ``establishmentMeans`` (http://rs.tdwg.org/dwc/doc/em/),
``degreeOfEstablishment`` (http://rs.tdwg.org/dwc/doc/doe/) and ``pathway``
(http://rs.tdwg.org/dwc/doc/pw/).  ``contaminateBait`` is spelt so there.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Collection, Iterator, Mapping, Sequence
from fnmatch import fnmatchcase
from functools import cache
from pathlib import Path

from poolbuilder.errors import InputError

ESTABLISHMENT_MEANS = (
    "native",
    "nativeReintroduced",
    "introduced",
    "introducedAssistedColonisation",
    "vagrant",
    "uncertain",
    "nativeEndemic",
)

DEGREE_OF_ESTABLISHMENT = (
    "native",
    "captive",
    "cultivated",
    "released",
    "failing",
    "casual",
    "reproducing",
    "established",
    "colonising",
    "invasive",
    "widespreadInvasive",
)

PATHWAY = (
    # level 1
    "intentional", "unintentional", "corridorAndDispersal",
    # level 2
    "releaseInNature", "escapeFromConfinement", "transportContaminant", "transportStowaway", "corridor",
    "unaided",
    # level 3
    "biologicalControl", "erosionControl", "fisheryInTheWild", "hunting", "landscapeImprovement",
    "conservationOrWildlifeManagement", "releasedForUse", "otherIntentionalRelease", "agriculture",
    "aquacultureMariculture", "publicGardenZooAquaria", "pet", "farmedAnimals", "forestry", "fur",
    "horticulture", "ornamentalNonHorticulture", "research", "liveFoodLiveBait", "otherEscape",
    "contaminantNursery", "contaminateBait", "foodContaminant", "contaminantOnAnimals",
    "parasitesOnAnimals", "contaminantOnPlants", "parasitesOnPlants", "seedContaminant", "timberTrade",
    "transportationHabitatMaterial", "fishingEquipment", "containerBulk", "hitchhikersAirplane",
    "hitchhikersShip", "machineryEquipment", "people", "packingMaterial", "ballastWater", "hullFouling",
    "vehicles", "otherTransport", "waterwaysBasinsSeas", "tunnelsBridges", "naturalDispersal",
)  # fmt: skip

BASIS_OF_RECORD = (
    "MaterialEntity",
    "PreservedSpecimen",
    "FossilSpecimen",
    "LivingSpecimen",
    "MaterialSample",
    "Event",
    "HumanObservation",
    "MachineObservation",
    "Taxon",
    "Occurrence",
    "MaterialCitation",
    # spelt so by the aggregator alone, beside the Darwin Core classes
    "Observation",
    "Literature",
)


def fold(text: str | None) -> str:
    """Letters and digits only, lower-case: ``PRESERVED_SPECIMEN`` and ``PreservedSpecimen`` agree.

    A namespace in front (``dwc:``, a web address) is dropped.

    Examples
    --------
    >>> fold("dwc:Human Observation")
    'humanobservation'
    """
    if not text:
        return ""
    last = text.strip().rstrip("/#").rsplit("/", 1)[-1].rsplit("#", 1)[-1].rsplit(":", 1)[-1]
    return "".join(letter for letter in last.casefold() if letter.isalnum())


def read_term(text: str | None, vocabulary: Collection[str]) -> str | None:
    """The term of *vocabulary* that *text* spells in any case or with any separator, or None.

    Examples
    --------
    >>> read_term("INTRODUCED", ESTABLISHMENT_MEANS)
    'introduced'
    >>> read_term("native: endemic", ESTABLISHMENT_MEANS)
    """
    wanted = fold(text)
    return next((term for term in vocabulary if fold(term) == wanted), None)


@cache
def headings(table: str) -> Mapping[str, tuple[str, ...]]:
    """Of each column of a kind of table its headings, as ``headings.txt`` has them."""
    text = Path(__file__).with_name("headings.txt").read_text(encoding="utf-8")
    lines = [line.removeprefix(f"{table}.") for line in text.splitlines() if line.startswith(f"{table}.")]
    return {column: tuple(words.split()) for column, _, words in (line.partition(": ") for line in lines)}


def columns_of(header: Sequence[str], table: str) -> dict[str, int]:
    """Position of each known column, by the surest of its headings; no position serves two."""
    folded = [fold(name) for name in header]
    found: dict[str, int] = {}
    for column, known in headings(table).items():
        places = [at for word in known for at, name in enumerate(folded) if fnmatchcase(name, word)]
        free = [at for at in places if at not in found.values()]
        if free:
            found[column] = free[0]
    return found


def csv_rows(
    text: str, *, file: str | Path, error: type[InputError], delimiters: str = ",", strict: bool = False
) -> Iterator[tuple[int, list[str]]]:
    """The rows of a text that hold something, spaces collapsed, each with the line it begins at.

    Raises
    ------
    InputError
        Of type *error*, where the text is not CSV.
    """
    delimiter = max(delimiters, key=text.partition("\n")[0].count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=strict)
    start = 1
    try:
        for row in reader:
            cells = [" ".join(cell.split()) for cell in row]
            if any(cells):
                yield start, cells
            start = reader.line_num + 1
    except csv.Error as damage:
        raise error.of("not_csv", file=file, row=start, error=damage) from damage


def read_rows(
    path: str | Path, text: str, table: str, *, needed: Sequence[str], remedy: str, error: type[InputError]
) -> Iterator[tuple[int, dict[str, str]]]:
    """The rows of a small table by its known columns, each with the line it begins at.

    Parameters
    ----------
    text : str
        Commas, semicolons, tabs or bars between the cells.
    table : str
        The kind of table, see `headings`.
    needed : sequence of str
        Columns that must be there.

    Raises
    ------
    InputError
        Of type *error*, when it is empty, lacks a column or is not CSV.
    """
    rows = csv_rows(text, file=path, error=error, delimiters=",;\t|")
    _, header = next(rows, (1, []))
    if not header:
        raise error.of("nothing_in_it", file=path, remedy_given=remedy)
    places = columns_of(header, table)
    if missing := [column for column in needed if column not in places]:
        raise error.of("no_column", file=path, row=1, missing=missing, remedy_given=remedy)
    for number, cells in rows:
        yield number, {column: cells[at] if at < len(cells) else "" for column, at in places.items()}
