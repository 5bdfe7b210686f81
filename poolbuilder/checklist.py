"""Species lists as data: which species can be candidates, and every name that stands for them."""

from __future__ import annotations

import hashlib
import re
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field
from functools import cached_property
from importlib import resources
from pathlib import Path

import pyarrow as pa

from poolbuilder import columns
from poolbuilder.entry import Entry, read_entries
from poolbuilder.errors import ChecklistError
from poolbuilder.spelling import letters, nearest

__all__ = ["SHIPPED", "Checklist"]

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
        entry = self._accepted.get(name)
        return entry.vernacular[0] if entry and entry.vernacular else None

    def establishment(self, name: str) -> str | None:
        """The establishmentMeans of an accepted name throughout the list's area, if stated."""
        entry = self._accepted.get(name)
        return entry.establishment if entry else None

    # -- what names.py looks things up by ------------------------------------------------

    @cached_property
    def by_name(self) -> dict[str, tuple[Entry, ...]]:
        """Lower-case scientific name to its entries, narrowest claim on a year first."""
        found: dict[str, list[Entry]] = {}
        for entry in self.entries:
            if entry.status != "genus":
                found.setdefault(entry.name.lower(), []).append(entry)
        return {name: tuple(sorted(group, key=_by_claim)) for name, group in found.items()}

    @cached_property
    def by_vernacular(self) -> dict[str, tuple[Entry, ...]]:
        """Key of a vernacular name to its entries; several accepted ones make it ambiguous."""
        found: dict[str, list[Entry]] = {}
        for entry in self.entries:
            if entry.status != "genus":
                for name in entry.vernacular:
                    found.setdefault(letters(name), []).append(entry)
        return {key: tuple(sorted(group, key=_by_claim)) for key, group in found.items()}

    @cached_property
    def genus_terms(self) -> dict[str, str]:
        """Key of a genus, old genus or their vernacular name to the genus as written."""
        terms = {letters(genus): genus for genus in self.genera}
        for entry in self.entries:
            if entry.status == "genus":
                for name in (entry.name, *entry.vernacular):
                    terms.setdefault(letters(name), entry.name)
        return terms

    @cached_property
    def genus_words(self) -> tuple[str, ...]:
        """Vernacular names of the genera, such as the noun that species names share."""
        return tuple(
            name.lower() for entry in self.entries if entry.status == "genus" for name in entry.vernacular
        )

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

    # -- where lists come from -----------------------------------------------------------

    @classmethod
    def load(cls, given: str | Path) -> Checklist:
        """Read a list that comes with the package, or a CSV file.

        Raises
        ------
        ChecklistError
            With file, row and remedy.
        """
        if str(given) in SHIPPED:
            place = resources.files("poolbuilder") / "checklists" / f"{given}.csv"
            return cls.from_csv(place.read_bytes(), path=f"poolbuilder/checklists/{given}.csv")
        path = Path(given)
        try:
            content = path.read_bytes()
        except OSError as error:
            raise ChecklistError(
                f"cannot be read: {error.strerror}",
                file=path,
                remedy=f"give a CSV file, or one of {', '.join(SHIPPED)}",
            ) from error
        return cls.from_csv(content, path=str(path))

    @classmethod
    def from_csv(cls, content: bytes, *, path: str) -> Checklist:
        """Read the bytes of a CSV file; *path* is what messages and results call it.

        Raises
        ------
        ChecklistError
            With row and remedy.
        """
        entries = read_entries(content, path=path)
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
        common = {
            epithet: count
            for epithet, count in counts.items()
            if not any(counts[near] >= 10 * count for near, _ in _twins(epithet, counts))
        }
        if not common:
            raise ChecklistError(
                f"no record names a species of {genus}",
                remedy="give a checklist file, or add records of the genus first",
            )
        entries = tuple(
            Entry(
                name=f"{genus} {epithet}",
                accepted=(f"{genus} {epithet}",),
                vernacular=vernacular.get(epithet, ()),
                source="named in the records",
            )
            for epithet in sorted(common)
        )
        listed = "\n".join(entry.name for entry in entries).encode()
        source = {"path": f"species of {genus} in the records", "sha256": hashlib.sha256(listed).hexdigest()}
        return cls(name=genus.lower(), entries=entries, source=source)


def _by_claim(entry: Entry) -> tuple[int, int]:
    """Order: senses bound to years, then ambiguous ones, then the rest."""
    rank = {"ambiguous": 0, "accepted": 1, "synonym": 2, "hybrid": 3}[entry.status]
    return (0 if entry.dated else 1, rank)


def _twins(epithet: str, epithets: Iterable[str]) -> list[tuple[str, int]]:
    return nearest(epithet, [other for other in epithets if other != epithet], 1)


def _species_in(genus: str, records: pa.Table) -> tuple[Counter[str], dict[str, tuple[str, ...]]]:
    """Count the epithets of a genus; with the commonest vernacular name of each."""
    binomial = re.compile(rf"{re.escape(genus)} ([a-z][a-z-]+)(?: \(?[A-Z].*)?")
    codes, names = columns.codes(records.column("scientificName"))
    commons, spoken = columns.codes(records.column("vernacularName"))
    counts: Counter[str] = Counter()
    heard: dict[str, Counter[str]] = {}
    pairs = Counter(zip(codes.tolist(), commons.tolist(), strict=True))
    for (code, common), count in sorted(pairs.items()):
        match = binomial.fullmatch(names[code] or "") if code >= 0 else None
        if match is None or match[1] in {"sp", "spp", "cf", "aff", "hybrid", "x"}:
            continue
        counts[match[1]] += count
        if common >= 0 and (said := spoken[common]):
            heard.setdefault(match[1], Counter())[said] += count
    vernacular: dict[str, tuple[str, ...]] = {}
    for epithet, names_heard in heard.items():
        vernacular[epithet] = (min(names_heard.items(), key=lambda item: (-item[1], item[0]))[0],)
    return counts, vernacular
