"""Whether a species is native or introduced at a place, and who says so: one answer for all.

Status is a matter of species, place and time.  The sources may disagree; the first that says something
decides, and a disagreement between native and introduced makes the answer disputed, with both sources.
The order is that of `ORDER`, and can be changed: an agency's own list, the lists of the regions that hold
the place (the smallest first: a fish that is native to a country and was carried into another of its basins
is introduced there), the terms of records in this watershed, range polygons, the species list, and the
table that ships with the package.  What nobody states stays unknown.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pyarrow as pa

from poolbuilder import tables
from poolbuilder.names.checklist import Checklist
from poolbuilder.names.vocabularies import ESTABLISHMENT_MEANS, read_term

ORDER = ("agency", "region", "record", "polygon", "checklist", "shipped")
"""Sources of a statement, the first that speaks decides: an agency's own list, lists of regions, terms of
records, range polygons, the species list, the shipped table."""

_NATIVE = {"native", "nativeReintroduced", "nativeEndemic"}
_INTRODUCED = {"introduced", "introducedAssistedColonisation"}
_ELSEWHERE = {"neighbouring", "other"}


@dataclass(frozen=True, kw_only=True)
class Statement:
    """What one source says of a species at a place.

    Attributes
    ----------
    source : str
        One of `ORDER`.
    means : str
        Darwin Core establishmentMeans.
    who : str
        Names the source more closely.
    region : str
        What it speaks of; empty where that is the place itself.
    extent : str
        ``part`` where only a part of the region is meant, ``not reported`` outside the native range where
        no introduction is known either; else empty.
    citation, note : str
    year : int or None
        Of the source.
    """

    source: str
    means: str
    who: str = ""
    region: str = ""
    extent: str = ""
    citation: str = ""
    year: int | None = None
    note: str = ""

    @property
    def words(self) -> str:
        """The statement as a clause."""
        return f"{self.who or self.source} says {self.means}"


@dataclass(frozen=True, kw_only=True)
class Establishment:
    """Darwin Core establishmentMeans, the source that decided, and a remark on conflicts.

    Attributes
    ----------
    disputed : bool
        Whether one source says native and another introduced.
    decided : Statement or None
        The statement that decided; None when nobody states anything.
    against : tuple of Statement
        Those that say the opposite.
    """

    means: str
    source: str
    remark: str = ""
    disputed: bool = False
    decided: Statement | None = None
    against: tuple[Statement, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Terms:
    """The terms that records of a species carry: near and in this watershed, and near but in another."""

    here: tuple[str, ...] = ()
    elsewhere: tuple[str, ...] = ()


def side(means: str | None) -> str | None:
    """``native``, ``introduced`` or None for a term that takes no side."""
    if means in _NATIVE:
        return "native"
    return "introduced" if means in _INTRODUCED else None


def _majority(means: Sequence[str]) -> str | None:
    """The most frequent term that takes a side; the alphabet decides a tie."""
    counts = Counter(term for term in means if side(term))
    return min(counts, key=lambda term: (-counts[term], term)) if counts else None


def _opposed(one: Statement, other: Statement) -> bool:
    """Whether two sources contradict each other; one that speaks of a part of its region does not."""
    return "part" not in {one.extent, other.extent} and {side(one.means), side(other.means)} == {
        "native",
        "introduced",
    }


def settle(
    statements: Sequence[Statement], *, remarks: Sequence[str] = (), order: Sequence[str] = ORDER
) -> Establishment:
    """Decide between statements: the first in the order decides, those against it are said.

    Parameters
    ----------
    statements : sequence of Statement
        Those of one source in the order of their weight.
    remarks : sequence of str
        Further disagreements, such as of polygons or records among themselves.
    order : sequence of str
        Sources, the most trusted first; those not in it are not heard.
    """
    heard = [item for source in order for item in statements if item.source == source]
    if not heard:
        return Establishment(means="uncertain", source="unknown")
    first = next((item for item in heard if item.means != "uncertain"), heard[0])
    against = tuple(item for item in heard if _opposed(item, first))
    said = [*(item.words for item in against), *remarks]
    return Establishment(
        means=first.means,
        source=first.source,
        remark=f"{first.words}, but {' and '.join(said)}" if said else "",
        disputed=bool(said),
        decided=first,
        against=against,
    )


def decide_establishment(
    statements: Sequence[Statement],
    *,
    records: Sequence[str] = (),
    polygons_differ: bool = False,
    order: Sequence[str] = ORDER,
) -> Establishment:
    """Decide the status of a species at a place.

    Parameters
    ----------
    statements : sequence of Statement
        Of lists, polygons and tables; those of the regions that hold the place smallest region first.
    records : sequence of str
        The establishmentMeans that records within the radius carry, one per record that carries one.
    polygons_differ : bool
        Whether polygons that hold the place disagree among themselves.
    order : sequence of str
    """
    most = _majority(records)
    terms = [] if most is None else [Statement(source="record", means=most)]
    found = settle([*statements, *terms], order=order)
    remarks = []
    mixed = {side(term) for term in records} >= {"native", "introduced"}
    if mixed and (found.source == "record" or not found.against):
        remarks.append("records disagree among themselves")
    if polygons_differ:
        remarks.append("other polygons disagree")
    return settle([*statements, *terms], remarks=remarks, order=order) if remarks else found


def terms_of_records(located: pa.Table, *, radius_km: float) -> dict[str, Terms]:
    """The establishmentMeans of the records within the radius, by species.

    Parameters
    ----------
    located : Table, schema LOCATED
    radius_km : float
    """
    code, said = tables.codes(located["establishmentMeans"])
    terms = [read_term(text, ESTABLISHMENT_MEANS) for text in said]
    spoken = np.array([term is not None for term in terms] + [False], dtype=bool)[code]
    rows = np.flatnonzero(spoken & (tables.numbers(located["distanceKm"]) <= radius_km))
    heard = tables.take(located, rows)
    here: dict[str, list[str]] = {}
    there: dict[str, list[str]] = {}
    relations = tables.strings(heard["basinRelation"])
    for name, number, relation in zip(own_names(heard), code[rows].tolist(), relations, strict=True):
        term = terms[number]
        if name and term:
            (there if relation in _ELSEWHERE else here).setdefault(name, []).append(term)
    return {
        name: Terms(here=tuple(here.get(name, ())), elsewhere=tuple(there.get(name, ())))
        for name in sorted({*here, *there})
    }


def own_names(located: pa.Table) -> list[str | None]:
    """The species that each record is a record of; None for hybrids and ambiguous names."""
    return [
        names[0] if role == "candidate" and len(names) == 1 else None
        for role, names in zip(
            tables.strings(located["role"]), located["acceptedNames"].to_pylist(), strict=True
        )
    ]


def _with_elsewhere(decided: Establishment, terms: Terms) -> Establishment:
    """Add what records in another watershed say, where that is something else."""
    said = _majority(terms.elsewhere)
    if said is None or side(said) == side(decided.means):
        return decided
    count = sum(side(term) == side(said) for term in terms.elsewhere)
    told = f"{count:,} record{'' if count == 1 else 's'} in another watershed: {said} there"
    return replace(decided, remark="; ".join(text for text in (decided.remark, told) if text))


def establishment_of(
    located: pa.Table,
    status: pa.Table,
    checklist: Checklist,
    *,
    radius_km: float,
    listed: Mapping[str, Sequence[Statement]] | None = None,
    shipped: Mapping[str, Statement] | None = None,
    order: Sequence[str] = ORDER,
) -> dict[str, Establishment]:
    """Native or introduced at a site, for each species, from every source there is.

    Parameters
    ----------
    located : Table, schema LOCATED
        Kept records relative to the site.
    status : Table, schema STATUS
        What the range polygons say, one row per species.
    checklist : Checklist
    radius_km : float
        Records within it are heard.
    listed : mapping, optional
        Species to what the agency's list and those of regions say there, smallest region first.
    shipped : mapping, optional
        Species to what the shipped table says there.
    order : sequence of str
        Who is heard first.
    """
    said = terms_of_records(located, radius_km=radius_km)
    found = {}
    for row in status.to_pylist():
        name = row["scientificName"]
        terms = said.get(name, Terms())
        statements = list((listed or {}).get(name, ()))
        if row["establishmentMeans"] is not None:
            statements.append(Statement(source="polygon", means=row["establishmentMeans"]))
        throughout = checklist.establishment(name)
        if throughout is not None:
            statements.append(Statement(source="checklist", means=throughout))
        if shipped and name in shipped:
            statements.append(shipped[name])
        decided = decide_establishment(
            statements,
            records=terms.here,
            polygons_differ=row["establishmentMeans"] is not None and row["polygonsDisagree"],
            order=order,
        )
        found[name] = _with_elsewhere(decided, terms)
    return found
