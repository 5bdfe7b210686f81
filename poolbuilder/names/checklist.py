"""Species lists: which species can be candidates, every name that stands for them, their known crosses.

A list is a CSV file (UTF-8, commas) with a header of Darwin Core terms where one exists:

scientificName
    The name, without author.
taxonomicStatus
    ``accepted`` (the default); ``synonym``; ``ambiguous`` (may mean any of several
    accepted species); ``hybrid`` (a name given to a cross); ``genus`` (a genus, present
    or old, all of whose species are those of this list).
acceptedNameUsage
    For a synonym its accepted name; for ``ambiguous`` and ``hybrid`` the several names,
    separated by ``|``.
vernacularName
    Separated by ``|``; the first of an accepted name is the one that results print.
validFrom, validTo
    Years in which the name is used in this sense; empty is open.
establishmentMeans
    Darwin Core vocabulary, where it is the same throughout the area of the list.
meansWhere
    Where an accepted species lives whose name was split or is confused: hydrologic unit codes, codes of
    states, provinces or countries, and boxes (``box west south east north``), separated by ``|``.
source, note
    Where the row comes from, and what a reader should know.

Only scientificName must be there.

A table of crosses has one statement a row: ``parent1`` and ``parent2`` (accepted names in alphabetical
order), ``mother`` (one of them, ``both``, or empty when the source does not say), ``origin`` (natural,
stocked, laboratory), ``viability`` (lethal, partly lethal, viable, or empty), ``frequency`` (how often the
cross is met in nature: common, repeated, single report, or empty), ``words`` and ``source``.  A pair without
a row is unknown.
"""

from __future__ import annotations

import hashlib
import re
from collections import Counter
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache, cached_property
from importlib import resources
from pathlib import Path

import numpy as np
import pyarrow as pa
from numpy.typing import ArrayLike, NDArray

from poolbuilder.errors import ChecklistError, InputError, fault, said
from poolbuilder.names.vocabularies import ESTABLISHMENT_MEANS, csv_rows, letters, nearest, vocabulary
from poolbuilder.places.regions import regions_at

# Rows of a table.


def read_rows(
    content: bytes, *, path: str, known: Sequence[str], required: Sequence[str], error: type[InputError]
) -> Iterator[tuple[int, dict[str, str]]]:
    """Read UTF-8 CSV with a header line.

    Parameters
    ----------
    content : bytes
    path : str
        What messages call the file.
    known, required : sequence of str
        Columns that may, and that must, be there.
    error : type
        What to raise.

    Yields
    ------
    tuple of (int, dict)
        Line at which the row starts, and its cells by column, spaces collapsed.  Empty
        lines are passed over.

    Raises
    ------
    InputError
        Of type *error*.
    """
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as damage:
        raise error.of("not_utf_text", file=path) from damage
    rows = csv_rows(text, file=path, error=error)
    _, header = next(rows, (1, []))
    for name in required:
        if name not in header:
            raise error.of("no_such_column", file=path, row=1, column=name, header=header or "nothing")
    for name in header:
        if name not in known:
            raise error.of("unknown_column", file=path, row=1, column=name, known=known)
        if header.count(name) > 1:
            raise error.of("column_twice", file=path, row=1, column=name, known=known)
    for number, row in rows:
        if len(row) != len(header):
            raise error.of("more_cells", file=path, row=number, cells=len(row), header=len(header))
        yield number, dict(zip(header, row, strict=True))


# Names.

STATUSES = ("accepted", "synonym", "ambiguous", "hybrid", "genus")
COLUMNS = vocabulary("columns")["checklist"]
_BINOMIAL = re.compile(r"[A-Z][a-z]+ [a-z][a-z-]+")
_NAME = re.compile(r"[A-Z][a-z]+(?: [a-z][a-z-]+){0,2}")


@dataclass(frozen=True, kw_only=True, eq=False)
class Entry:
    """One row of a checklist.

    Attributes
    ----------
    name, status : str
    accepted : tuple of str
        The accepted species it stands for; the parents, for a hybrid.
    vernacular : tuple of str
    valid_from, valid_to : int or None
        Years of use in this sense, both included.
    means_where : tuple of str
        Where the species of a split lives; see `lives_at`.
    """

    name: str
    status: str = "accepted"
    accepted: tuple[str, ...] = ()
    vernacular: tuple[str, ...] = ()
    valid_from: int | None = None
    valid_to: int | None = None
    establishment: str | None = None
    means_where: tuple[str, ...] = ()
    note: str = ""
    row: int = 0

    @property
    def dated(self) -> bool:
        """Whether the sense depends on the year."""
        return self.valid_from is not None or self.valid_to is not None

    def holds_in(self, year: int | None) -> bool:
        """Whether the name has this sense in *year*; an unknown year may be any."""
        if year is None:
            return True
        return (self.valid_from is None or year >= self.valid_from) and (
            self.valid_to is None or year <= self.valid_to
        )


_PLACE = re.compile(r"\d{2,12}|[A-Z]{2}(-[A-Z]{2,3})?|box( -?\d+(\.\d+)?){4}")
_YEAR = re.compile(r"1[5-9]\d\d|20\d\d|")
_HOW_MANY = {"synonym": (1, 1), "ambiguous": (2, 99), "hybrid": (1, 9)}


def _read_entries(content: bytes, path: str) -> list[Entry]:
    """Read the rows of a list, each checked alone and against the others."""
    rows = read_rows(content, path=path, known=COLUMNS, required=COLUMNS[:1], error=ChecklistError)
    entries = [_entry(row, number, path) for number, row in rows]
    accepted = {entry.name for entry in entries if entry.status == "accepted"}
    if not accepted:
        raise ChecklistError.of("no_accepted_name", file=path)
    seen: dict[tuple[str, bool], int] = {}
    for entry in entries:
        for fact, remedy in _contradictions(entry, accepted, seen):
            raise ChecklistError(fact, file=path, row=entry.row, remedy=remedy)
    return entries


def _contradictions(
    entry: Entry, accepted: Collection[str], seen: dict[tuple[str, bool], int]
) -> Iterator[tuple[str, str]]:
    """What in a row does not fit the rows of the list, *seen* those before it."""
    first = seen.setdefault((entry.name.lower(), entry.status == "ambiguous"), entry.row)
    if first != entry.row:
        yield fault("stands_already", name=entry.name, first=first)
    least, most = _HOW_MANY.get(entry.status, (0, 99))
    if not least <= len(entry.accepted) <= most:
        wanted = said(f"names_of_{entry.status}")
        yield fault("has_other_names", item=entry, names=len(entry.accepted), wanted=wanted)
    for name in entry.accepted:
        if name not in accepted:
            yield fault("stands_not_accepted", name=entry.name, strange=name)


def _parts(cell: str) -> tuple[str, ...]:
    return tuple(part.strip() for part in cell.split("|") if part.strip())


def _faults(row: Mapping[str, str], name: str, status: str) -> Iterator[tuple[str, str]]:
    """What is wrong with the cells of a row."""
    for column, among in (("taxonomicStatus", STATUSES), ("establishmentMeans", ESTABLISHMENT_MEANS)):
        if row[column] not in {"", *among}:
            yield fault("unknown_word", column=column, value=row[column], listed=among)
    if not (_BINOMIAL if status == "accepted" else _NAME).fullmatch(name):
        yield fault("not_a_name", name=name)
    for column in ("validFrom", "validTo"):
        if not _YEAR.fullmatch(row[column]):
            yield fault("not_a_year", column=column, year=row[column])
    if row["validTo"] and row["validFrom"] > row["validTo"]:
        yield fault("years_swapped", first=row["validFrom"], last=row["validTo"])
    if status == "accepted" and row["acceptedNameUsage"] not in {"", name}:
        yield fault("accepted_for_another", name=name)
    for place in _parts(row["meansWhere"]):
        if not _PLACE.fullmatch(place):
            yield fault("not_a_place", place=place)


def _entry(given: dict[str, str], number: int, path: str) -> Entry:
    """One row as an Entry, its own cells checked."""
    row = {**dict.fromkeys(COLUMNS, ""), **given}
    name, status = row["scientificName"], row["taxonomicStatus"] or "accepted"
    for fact, remedy in _faults(row, name, status):
        raise ChecklistError(fact, file=path, row=number, remedy=remedy)
    return Entry(
        name=name,
        status=status,
        accepted=(name,) if status == "accepted" else _parts(row["acceptedNameUsage"]),
        vernacular=_parts(row["vernacularName"]),
        valid_from=int(row["validFrom"]) if row["validFrom"] else None,
        valid_to=int(row["validTo"]) if row["validTo"] else None,
        establishment=row["establishmentMeans"] or None,
        means_where=_parts(row["meansWhere"]),
        note=row["note"],
        row=number,
    )


_NOBODY = Entry(name="")
SHIPPED = ("lepomis", "leuciscids")
"""Lists that come with the package."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Checklist:
    """The species that could be candidates, and every name that stands for them.

    Attributes
    ----------
    name : str
        ``lepomis``, or the stem of the file.
    entries : tuple of Entry
    source : dict
        ``path`` and ``sha256`` of the file; see :meth:`load`.

    Examples
    --------
    >>> sunfishes = Checklist.load("lepomis")
    >>> len(sunfishes.species), sunfishes.vernacular("Lepomis gulosus")
    (13, 'warmouth')
    """

    name: str
    entries: tuple[Entry, ...]
    source: dict[str, str] = field(default_factory=dict)

    @cached_property
    def species(self) -> tuple[str, ...]:
        """Accepted names, in alphabetical order."""
        return tuple(sorted(entry.name for entry in self.entries if entry.status == "accepted"))

    @cached_property
    def genera(self) -> tuple[str, ...]:
        """Genera of the accepted names, in alphabetical order."""
        return tuple(sorted({name.split()[0] for name in self.species}))

    @cached_property
    def _accepted(self) -> dict[str, Entry]:
        return {entry.name: entry for entry in self.entries if entry.status == "accepted"}

    def vernacular(self, name: str) -> str | None:
        """The vernacular name that results print for an accepted name."""
        return next(iter(self._accepted.get(name, _NOBODY).vernacular), None)

    def establishment(self, name: str) -> str | None:
        """The establishmentMeans of an accepted name throughout the list's area, if stated."""
        return self._accepted.get(name, _NOBODY).establishment

    def means_where(self, name: str) -> tuple[str, ...]:
        """Where an accepted name that came out of a split is meant; empty where the list does not say."""
        return self._accepted.get(name, _NOBODY).means_where

    def split_year(self, name: str) -> int | None:
        """The last year in which an accepted name was also used for other species."""
        named = self.by_name.get(name.lower(), ())
        return max(
            (one.valid_to for one in named if one.status == "ambiguous" and one.valid_to), default=None
        )

    # What names are looked up by.

    def _grouped(self, keys: Callable[[Entry], Iterable[str]]) -> dict[str, tuple[Entry, ...]]:
        """Key to its entries, narrowest claim on a year first."""
        found: dict[str, list[Entry]] = {}
        for entry in self.entries:
            for key in () if entry.status == "genus" else keys(entry):
                found.setdefault(key, []).append(entry)
        return {key: tuple(sorted(group, key=_by_claim)) for key, group in found.items()}

    @cached_property
    def by_name(self) -> dict[str, tuple[Entry, ...]]:
        """Lower-case scientific name to its entries."""
        return self._grouped(lambda entry: [entry.name.lower()])

    @cached_property
    def by_vernacular(self) -> dict[str, tuple[Entry, ...]]:
        """Key of a vernacular name to its entries; several accepted ones make it ambiguous."""
        return self._grouped(lambda entry: map(letters, entry.vernacular))

    @cached_property
    def genus_terms(self) -> dict[str, str]:
        """Key of a genus, old genus or their vernacular name to the genus as written."""
        terms = {letters(genus): genus for genus in self.genera}
        for entry in self._of_genera:
            for name in (entry.name, *entry.vernacular):
                terms.setdefault(letters(name), entry.name)
        return terms

    @cached_property
    def _of_genera(self) -> list[Entry]:
        return [entry for entry in self.entries if entry.status == "genus"]

    @cached_property
    def genus_words(self) -> tuple[str, ...]:
        """Vernacular names of the genera, such as the noun that species names share."""
        return tuple(name.lower() for entry in self._of_genera for name in entry.vernacular)

    @cached_property
    def epithets(self) -> dict[str, dict[str, str]]:
        """Lower-case genus, present or old, to its epithets and the lower-case name of each."""
        found: dict[str, dict[str, str]] = {}
        for name in self.by_name:
            words = name.split()
            if len(words) == 2:
                found.setdefault(words[0], {})[words[1]] = name
        return found

    @cached_property
    def genus_heads(self) -> list[str]:
        """Lower-case genera, present and old, in which the list has names."""
        return sorted(self.epithets)

    @cached_property
    def vernacular_keys(self) -> dict[str, list[str]]:
        """First letter to the keys of the vernacular names that begin with it."""
        found: dict[str, list[str]] = {}
        for key in sorted(self.by_vernacular):
            found.setdefault(key[:1], []).append(key)
        return found

    @cached_property
    def years(self) -> tuple[int, ...]:
        """First year of each stretch in which names may change their sense, ascending."""
        starts = {entry.valid_from for entry in self.entries if entry.valid_from is not None}
        ends = {entry.valid_to + 1 for entry in self.entries if entry.valid_to is not None}
        return tuple(sorted(starts | ends))

    # Where lists come from.

    @classmethod
    def load(cls, given: str | Path) -> Checklist:
        """Read a list that comes with the package, or a CSV file.

        Raises
        ------
        ChecklistError
            With file, row and remedy.
        """
        content, path = _content(given, SHIPPED)
        return cls.from_csv(content, path=path)

    @classmethod
    def from_csv(cls, content: bytes, *, path: str) -> Checklist:
        """Read the bytes of a CSV file; *path* is what messages and results call it.

        Raises
        ------
        ChecklistError
            With row and remedy.
        """
        entries = _read_entries(content, path)
        source = {"path": path, "sha256": hashlib.sha256(content).hexdigest()}
        return cls(name=Path(path).stem, entries=tuple(entries), source=source)

    @classmethod
    def from_records(cls, genus: str, records: pa.Table) -> Checklist:
        """Take the species of a genus that the records name.

        A spelling one letter away from one at least ten times as frequent is left out: it
        is read as its misspelling.

        Parameters
        ----------
        genus : str
        records : Table, schema RECORDS

        Raises
        ------
        ChecklistError
            When no record names a species of *genus*.
        """
        genus = genus.strip().capitalize()
        counts, vernacular = _species_in(genus, records)
        common = sorted(
            epithet
            for epithet, count in counts.items()
            if not any(counts[near] >= 10 * count for near, _ in _twins(epithet, counts))
        )
        if not common:
            raise ChecklistError.of("no_record_names_species", genus=genus)
        names = {epithet: f"{genus} {epithet}" for epithet in common}
        entries = tuple(
            Entry(name=name, accepted=(name,), vernacular=vernacular.get(epithet, ()))
            for epithet, name in names.items()
        )
        listed = "\n".join(entry.name for entry in entries).encode()
        source = {"path": f"species of {genus} in the records", "sha256": hashlib.sha256(listed).hexdigest()}
        return cls(name=genus.lower(), entries=entries, source=source)


def _content(given: str | Path, shipped: Sequence[str]) -> tuple[bytes, str]:
    """The bytes of a table that comes with the package, or of a file, and what messages call it."""
    if str(given) in shipped:
        place = resources.files("poolbuilder") / "checklists" / f"{given}.csv"
        return place.read_bytes(), f"poolbuilder/checklists/{given}.csv"
    try:
        return Path(given).read_bytes(), str(given)
    except OSError as error:
        raise ChecklistError.of(
            "cannot_read_checklist", file=given, why=error.strerror, shipped=shipped
        ) from error


def _by_claim(entry: Entry) -> tuple[int, int]:
    """Order: senses bound to years, then ambiguous ones, then the rest."""
    rank = {"ambiguous": 0, "accepted": 1, "synonym": 2, "hybrid": 3}[entry.status]
    return (0 if entry.dated else 1, rank)


def _twins(epithet: str, epithets: Iterable[str]) -> list[tuple[str, int]]:
    return nearest(epithet, [other for other in epithets if other != epithet], 1)


def _species_in(genus: str, records: pa.Table) -> tuple[Counter[str], dict[str, tuple[str, ...]]]:
    """Count the epithets of a genus; with the commonest vernacular name of each."""
    binomial = re.compile(rf"{re.escape(genus)} ([a-z][a-z-]+)(?: \(?[A-Z].*)?")
    counts: Counter[str] = Counter()
    heard: dict[str, Counter[str]] = {}
    given = (records.column(name).to_pylist() for name in ("scientificName", "vernacularName"))
    for (name, common), count in Counter(zip(*given, strict=True)).items():
        match = binomial.fullmatch(name or "")
        if match is None or match[1] in {"sp", "spp", "cf", "aff", "hybrid", "x"}:
            continue
        counts[match[1]] += count
        if common:
            heard.setdefault(match[1], Counter())[common] += count
    usual: dict[str, tuple[str, ...]] = {
        epithet: (min(names, key=lambda name, names=names: (-names[name], name)),)  # type: ignore[misc]
        for epithet, names in heard.items()
    }
    return counts, usual


# Names with two meanings: which species a record means, by place, then date, then its neighbours.
# A list says where each accepted species of a split lives (``meansWhere``): hydrologic unit codes (digits; a
# prefix holds all units below it), states, provinces or countries (``US-MI``, ``CA``) and boxes (``box west
# south east north``, degrees), separated by ``|``.  Where the hydrologic unit of a record is known the units
# decide, else states and boxes.

ELSEWHERE = 0.01
"""Factor for a meaning outside its own geography, where another lives: one record in a hundred is a mistake
of place or of range."""
BY_THE_LETTER = 9.0
"""Factor for the species that bears the name, in records after a split: some lists go on in the old sense."""
ALIKE = 0.5
"""Records of each meaning that are supposed around a place before any is counted (Jeffreys)."""


@dataclass(frozen=True, kw_only=True)
class NameShares:
    """Shares of the meanings of records: one row for each record and meaning.

    Attributes
    ----------
    row : (m,) int64
        Position of the record, ascending.
    species : (m,) int64
        Position in `Checklist.species`.
    share : (m,) float64
        Above 0; the shares of a record sum to 1.
    """

    row: NDArray[np.int64]
    species: NDArray[np.int64]
    share: NDArray[np.float64]


def name_shares(
    names: Sequence[Sequence[str]],
    longitude: ArrayLike,
    latitude: ArrayLike,
    year: ArrayLike,
    *,
    checklist: Checklist,
    around: NDArray[np.float64] | None = None,
    unit: NDArray[np.object_] | None = None,
) -> NameShares:
    """Share each record between the species that its name may mean.

    Geography comes first (a meaning outside its own is worth `ELSEWHERE` where another lives there),
    then the date (after a split the species that bears the name is likelier), then the unambiguous
    records around.  The three multiply.  A record with one meaning gets share 1.

    Parameters
    ----------
    names : sequence of n sequences of str
        Accepted names of each record of role ``candidate``, as ``acceptedNames`` holds them; an empty
        one gives no row.
    longitude, latitude : (n,) array_like
        Degrees; NaN where not known.
    year : (n,) array_like
        Of the record; NaN or below 0 where not known.
    checklist : Checklist
    around : (n, s) or (s,) array, optional
        Weight of the unambiguous records of each of `Checklist.species` around each record, or around all.
    unit : (n,) array of str, optional
        Hydrologic unit code of each record, empty where not known; decides before states and boxes.

    Returns
    -------
    NameShares

    Examples
    --------
    >>> longear = ("Lepomis megalotis", "Lepomis peltastes")
    >>> sunfishes = Checklist.load("lepomis")
    >>> found = name_shares([longear] * 2, [-99.5, -84.5], [30.5, 43.5], [1990, 1990], checklist=sunfishes)
    >>> [sunfishes.species[k] for k in found.species[found.share > 0.9]]
    ['Lepomis megalotis', 'Lepomis peltastes']
    """
    x, y, years = (np.asarray(value, dtype=float) for value in (longitude, latitude, year))
    position = {name: index for index, name in enumerate(checklist.species)}
    groups: dict[tuple[str, ...], list[int]] = {}
    for row, meant in enumerate(names):
        if meant:
            groups.setdefault(tuple(meant), []).append(row)
    parts = [(np.zeros(0, np.int64), np.zeros(0, np.int64), np.zeros(0))]
    for meant, members in groups.items():
        where = np.array(members)
        columns = np.array([position[name] for name in meant])
        weight = np.ones((len(where), len(meant)))
        if len(meant) > 1:
            units = None if unit is None else unit[where]
            weight = np.where(open_meanings(meant, x[where], y[where], checklist, unit=units), 1.0, ELSEWHERE)
            split = np.array([checklist.split_year(name) or np.inf for name in meant])
            weight *= np.where(years[where, None] > split, BY_THE_LETTER, 1.0)
            if around is not None:
                near = around[columns] if around.ndim == 1 else around[np.ix_(where, columns)]
                weight *= near + ALIKE
            weight /= weight.sum(axis=1, keepdims=True)
        parts.append((np.repeat(where, len(meant)), np.tile(columns, len(where)), weight.ravel()))
    record, species, share = map(np.concatenate, zip(*parts, strict=True))
    order = np.argsort(record, kind="stable")
    return NameShares(row=record[order], species=species[order], share=share[order])


def lives_at(
    name: str,
    longitude: NDArray[np.float64],
    latitude: NDArray[np.float64],
    checklist: Checklist,
    *,
    region: NDArray[np.object_],
    unit: NDArray[np.object_] | None = None,
) -> NDArray[np.bool_]:
    """Whether each point lies in the geography of an accepted name; true where the list gives none.

    Parameters
    ----------
    name : str
    longitude, latitude : (n,) arrays
        Degrees; NaN is anywhere.
    region, unit : (n,) arrays of str
        State, province or country; hydrologic unit code, empty where not known.
    """
    where = checklist.means_where(name)
    if not where:
        return np.ones(len(longitude), dtype=bool)
    units = tuple(token for token in where if token[0].isdigit())
    inside = np.isnan(longitude) | np.isnan(latitude)
    for token in where:
        if token.startswith("box"):
            west, south, east, north = map(float, token.split()[1:])
            inside |= (longitude >= west) & (longitude <= east) & (latitude >= south) & (latitude <= north)
    for code in set(region.tolist()) - {""}:
        if code in where or code.partition("-")[0] in where:
            inside |= region == code
    if unit is not None and units:
        known = unit != ""
        inside[known] = [str(code).startswith(units) for code in unit[known]]
    return inside


def open_meanings(
    names: Sequence[str],
    longitude: NDArray[np.float64],
    latitude: NDArray[np.float64],
    checklist: Checklist,
    *,
    region: NDArray[np.object_] | None = None,
    unit: NDArray[np.object_] | None = None,
) -> NDArray[np.bool_]:
    """Which of several meanings geography leaves open at each point.

    Returns
    -------
    (n, k) array of bool
        Of each point and name; all true where the point lies in the geography of none.
    """
    found = regions_at(longitude, latitude) if region is None else region
    inside = np.column_stack(
        [lives_at(name, longitude, latitude, checklist, region=found, unit=unit) for name in names]
    )
    inside[~inside.any(axis=1)] = True
    return inside


# Crosses.

CROSS_COLUMNS = vocabulary("columns")["crosses"]
FREQUENCIES = ("common", "repeated", "single report", "none known")
"""How often a cross is met in nature, the most often first."""
_CHOICES = {
    "origin": ("natural", "stocked", "laboratory"),
    "viability": ("", "lethal", "partly lethal", "viable"),
    "frequency": ("", *FREQUENCIES),
}
SHIPPED_CROSSES = ("crosses_lepomis", "crosses_leuciscids")


def write_formula(parents: Iterable[str]) -> str:
    """The formula of a cross: full names in alphabetical order, joined by × and spaces.

    Examples
    --------
    >>> write_formula(["Lepomis gulosus", "Lepomis cyanellus"])
    'Lepomis cyanellus × Lepomis gulosus'
    """
    return " × ".join(sorted(set(parents)))


@dataclass(frozen=True, kw_only=True)
class KnownCross:
    """One statement of one source about one pair.

    Attributes
    ----------
    parents : tuple of (str, str)
        In alphabetical order.
    mother : str
        One of the parents, ``both``, or empty when not said.
    origin, viability, words, source, frequency : str
    """

    parents: tuple[str, str]
    mother: str = ""
    origin: str
    viability: str = ""
    words: str = ""
    source: str
    frequency: str = ""

    def speaks_of(self, mother: str) -> bool:
        """Whether the statement names this direction."""
        return self.mother in {mother, "both"}


@dataclass(frozen=True, kw_only=True, eq=False)
class KnownCrosses:
    """Statements about crosses, by pair."""

    statements: tuple[KnownCross, ...] = field(default=(), repr=False)

    @cached_property
    def _by_pair(self) -> Mapping[tuple[str, str], tuple[KnownCross, ...]]:
        found: dict[tuple[str, str], tuple[KnownCross, ...]] = {}
        for each in self.statements:
            found[each.parents] = (*found.get(each.parents, ()), each)
        return found

    def of(self, first: str, second: str) -> tuple[KnownCross, ...]:
        """The statements about a pair, in the order of the table."""
        return self._by_pair.get((min(first, second), max(first, second)), ())

    @classmethod
    def load(cls, *paths: str | Path) -> KnownCrosses:
        """Read tables of crosses; without paths, those that come with the package.

        Raises
        ------
        ChecklistError
            With file, row and remedy.
        """
        return _crosses(paths) if paths else _shipped_crosses()


@cache
def _shipped_crosses() -> KnownCrosses:
    return _crosses(SHIPPED_CROSSES)


def _crosses(given: Iterable[str | Path]) -> KnownCrosses:
    statements: list[KnownCross] = []
    for one in given:
        content, path = _content(one, SHIPPED_CROSSES)
        rows = read_rows(
            content, path=path, known=CROSS_COLUMNS, required=CROSS_COLUMNS[:-1], error=ChecklistError
        )
        statements += [_statement(row, number, path) for number, row in rows]
    return KnownCrosses(statements=tuple(statements))


def _statement(row: Mapping[str, str], number: int, path: str) -> KnownCross:
    first, second = row["parent1"], row["parent2"]
    if not first or not second or first >= second:
        raise ChecklistError.of("parents_not_two", file=path, row=number, first=first, second=second)
    if not row["source"]:
        raise ChecklistError.of("no_source", file=path, row=number)
    for column, among in {"mother": ("", "both", first, second), **_CHOICES}.items():
        value, listed = row.get(column, ""), [choice or "(empty)" for choice in among]
        if value not in among:
            raise ChecklistError.of(
                "unknown_word", file=path, row=number, column=column, value=value, listed=listed
            )
    plain = {name: row.get(name, "") for name in CROSS_COLUMNS[2:]}
    return KnownCross(parents=(first, second), **plain)
