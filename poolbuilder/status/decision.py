"""Native or introduced at a water, and who says so: the one answer, from every source; all commands ask here.

Status is a matter of species, place and time.  The sources may disagree; the first that says something
decides, and a disagreement between native and introduced makes the answer disputed, with both sources.
The order is that of `ORDER`, and can be changed: an agency's own list, the lists of the regions that hold
the place (the smallest first: a fish that is native to a country and was carried into another of its basins
is introduced there), the terms of records in this watershed, range polygons, the species list, and the
table that ships with the package.  What nobody states stays unknown; since when it is recorded is said.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property, lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from poolbuilder import words
from poolbuilder.names.checklist import Checklist
from poolbuilder.places.regions import regions_at
from poolbuilder.places.sites import Site
from poolbuilder.settings import Settings
from poolbuilder.status.lists import (
    ORDER,
    Drainage,
    RegionLists,
    Statement,
    drainage_of,
    shipped_of,
    side,
)

Ints = NDArray[np.int64]

_ELSEWHERE = {"neighbouring", "other"}


@dataclass(frozen=True, kw_only=True)
class Establishment:
    """Whether a species is native or introduced at a place.

    Attributes
    ----------
    heard : tuple of Statement
        All that was stated, the most trusted source first.
    decided : Statement or None
        The statement that decided; None when nobody states anything.
    against : tuple of Statement
        Those that say the opposite.
    differ : tuple of str
        ``record``, ``polygon``: sources that disagree among themselves.
    elsewhere : (int, str) or None
        How many records in another watershed say something else, and what.
    since : (int, bool) or None
        Year of the first record where nobody states anything, and whether it is of this drainage or
        only of the surroundings.
    """

    heard: tuple[Statement, ...] = ()
    decided: Statement | None = None
    against: tuple[Statement, ...] = ()
    differ: tuple[str, ...] = ()
    elsewhere: tuple[int, str] | None = None
    since: tuple[int, bool] | None = None

    @property
    def means(self) -> str:
        """Darwin Core establishmentMeans."""
        return "uncertain" if self.decided is None else self.decided.means

    @property
    def source(self) -> str:
        """The source that decided; ``unknown`` for none."""
        return "unknown" if self.decided is None else self.decided.source

    @property
    def disputed(self) -> bool:
        """Whether one source says native and another introduced."""
        return bool(self.against or self.differ)

    @property
    def remark(self) -> str:
        """What speaks against it, in words."""
        return words.status_remark(self)

    @cached_property
    def note(self) -> str:
        """The remark, and since when the species is recorded where nobody states its status."""
        return "; ".join(text for text in (self.remark, words.recorded_since(self.since)) if text)


@dataclass(kw_only=True)
class RecordTerms:
    """What the records of a species say: terms near, of this watershed and of others; the first year."""

    here: list[str] = field(default_factory=list)
    elsewhere: list[str] = field(default_factory=list)
    since: tuple[int, bool] | None = None


def _majority(means: Sequence[str]) -> str | None:
    """The most frequent term that takes a side; the alphabet decides a tie."""
    counts = Counter(term for term in means if side(term))
    return min(counts, key=lambda term: (-counts[term], term)) if counts else None


def _opposed(one: Statement, other: Statement) -> bool:
    """Whether two sources contradict each other; one that speaks of a part of its region does not."""
    sides = {side(one.means), side(other.means)}
    return "part" not in {one.extent, other.extent} and sides == {"native", "introduced"}


def decide(
    statements: Sequence[Statement],
    *,
    records: RecordTerms | None = None,
    polygons_differ: bool = False,
    order: Sequence[str] = ORDER,
) -> Establishment:
    """Decide between statements: the first in the order decides, those against it are said.

    Parameters
    ----------
    statements : sequence of Statement
        Of lists, polygons and tables; those of one source in the order of their weight.
    records : RecordTerms, optional
    polygons_differ : bool
        Whether polygons that hold the place disagree among themselves.
    order : sequence of str
        Sources, the most trusted first; those not in it are not heard.
    """
    records = records or RecordTerms()
    most, other = _majority(records.here), _majority(records.elsewhere)
    said = [*statements, *([] if most is None else [Statement(source="record", means=most)])]
    heard = [item for source in order for item in said if item.source == source]
    first = next((item for item in heard if item.means != "uncertain"), heard[0] if heard else None)
    against = tuple(item for item in heard if first and _opposed(item, first))
    mixed = {side(term) for term in records.here} >= {"native", "introduced"}
    mixed = mixed and first is not None and (first.source == "record" or not against)
    differ = [name for name, does in (("record", mixed), ("polygon", polygons_differ)) if does]
    away = other if other and side(other) != side(first.means if first else None) else None
    return Establishment(
        heard=tuple(heard),
        decided=first,
        against=against,
        differ=tuple(differ),
        elsewhere=(sum(side(term) == side(away) for term in records.elsewhere), away) if away else None,
        since=records.since if first is None or first.means == "uncertain" else None,
    )


def terms_of_records(
    own: Ints,
    near: NDArray[np.bool_],
    relation: Sequence[str | None] | None,
    year: Ints,
    term: Ints,
    terms: Sequence[str | None],
) -> dict[int, RecordTerms]:
    """The establishmentMeans of records within the radius, and since when a species is recorded.

    The first year is that of this drainage where records are known to be of it, else of the radius.

    Parameters
    ----------
    own : (n,) int array
        The species that each record is a record of; -1 for hybrids and ambiguous names.
    near : (n,) bool array
        Which lie within the radius.
    relation : sequence of n str, or None
        Watershed relative to that of the site, where watersheds are known.
    year : (n,) int array
    term, terms : (n,) int array and sequence
        Code of what each record says, and what the codes mean; -1 for nothing.
    """
    same, away = (
        np.array([one in wanted for one in relation], dtype=bool)
        if relation
        else np.zeros(len(own), dtype=bool)
        for wanted in ({"same"}, _ELSEWHERE)
    )
    mine = (own >= 0) & (near | same)
    found = {one: RecordTerms() for one in np.flatnonzero(np.bincount(own[mine])).tolist()}
    means = [*terms, None]
    spoken = mine & near & (term >= 0)
    stated = Counter(zip(own[spoken].tolist(), term[spoken].tolist(), away[spoken].tolist(), strict=True))
    for (one, code, apart), count in sorted(stated.items()):
        if said := means[code]:
            (found[one].elsewhere if apart else found[one].here).extend([said] * count)
    for of_basin in (False, True) if relation else (False,):  # what is known of this drainage goes before
        dated = np.flatnonzero(mine & (year > 0) & (same == of_basin))
        order = dated[np.lexsort((year[dated], own[dated]))]
        first = np.flatnonzero(np.diff(own[order], prepend=-1))
        for row in order[first].tolist():
            found[int(own[row])].since = (int(year[row]), of_basin)
    return found


def status_answers(
    records: Mapping[int, RecordTerms],
    polygons: Sequence[Mapping[str, Any]],
    checklist: Checklist,
    site: Site,
    *,
    basins: Any = None,
    lists: Sequence[RegionLists] = (),
    year: int,
    settings: Settings,
) -> dict[str, Establishment]:
    """Native or introduced at a site, for each species of the list.

    Parameters
    ----------
    records : mapping
        Place of a species in the list to what its records say, see `terms_of_records`.
    polygons : sequence of dict
        What the range polygons say; rows of STATUS.
    checklist : Checklist
    site : Site
    basins : poolbuilder.water.basins.Basins or None
        Watersheds around the site: their code or name decides which row of the shipped table speaks.
    lists : sequence of RegionLists
    year : int
        In which the answer is to hold.
    settings : Settings
        statusFirst: the source that goes before the usual order.

    Returns
    -------
    dict
        Accepted name to answer, with the statement that decided and those against it.
    """
    first = settings.status_first
    order = (first, *(source for source in ORDER if source != first))
    said = {checklist.species[code]: terms for code, terms in records.items()}
    drainage = drainage_of(basins)
    listed = [each.at(site, year=year, code=drainage.code) for each in lists]
    state = str(regions_at(site.longitude, site.latitude)[0])
    shipped, alone = _of_tables(checklist, state, drainage, order)
    found = {}
    for row in polygons:
        name, drawn = row["scientificName"], row["establishmentMeans"]
        statements = [item for each in listed for item in each.get(name, ())]
        if drawn is not None:
            statements.append(Statement(source="polygon", means=drawn))
        elif not statements and name not in said:
            found[name] = alone[name]
            continue
        statements += shipped[name]
        differ = drawn is not None and row["polygonsDisagree"]
        found[name] = decide(statements, records=said.get(name), polygons_differ=differ, order=order)
    return found


@lru_cache(maxsize=256)
def _of_tables(
    checklist: Checklist, state: str, drainage: Drainage, order: tuple[str, ...]
) -> tuple[dict[str, list[Statement]], dict[str, Establishment]]:
    """What the list and the shipped table state of each species in a region, and the answer by them alone."""
    shipped = shipped_of(tuple(checklist.species), state, drainage)
    stated = {}
    for name in checklist.species:
        throughout = checklist.establishment(name)
        stated[name] = [] if throughout is None else [Statement(source="checklist", means=throughout)]
        stated[name] += [shipped[name]] if name in shipped else []
    return stated, {name: decide(statements, order=order) for name, statements in stated.items()}
