"""Whether a species is native or introduced at a place, and who says so.

Status is a matter of species, place and time.  Polygons, records and checklists may
disagree; the first that says something decides, and a disagreement is kept in words.  The
order is: polygons, checklists of the regions that hold the place, records, the checklist of
species.  Among the regions the smallest comes first: a fish that is native to a country and
was carried into another of its basins is introduced there.  Records in another watershed say
nothing of this one.  What nobody says stays unknown.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pyarrow as pa

from poolbuilder import tables
from poolbuilder.names.checklist import Checklist
from poolbuilder.names.vocabularies import ESTABLISHMENT_MEANS, read_term
from poolbuilder.status.polygons import polygons_disagree

_NATIVE = {"native", "nativeReintroduced", "nativeEndemic"}
_INTRODUCED = {"introduced", "introducedAssistedColonisation"}
_ELSEWHERE = {"neighbouring", "other"}


@dataclass(frozen=True, kw_only=True)
class Statement:
    """What one source says: ``polygon``, ``record`` or ``checklist``; *who* names it more closely."""

    source: str
    means: str
    who: str = ""

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
    """

    means: str
    source: str
    remark: str = ""
    disputed: bool = False


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


def _opposed(one: str, other: str) -> bool:
    return {side(one), side(other)} == {"native", "introduced"}


def settle(statements: Sequence[Statement], *, remarks: Sequence[str] = ()) -> Establishment:
    """Decide between statements: the first decides, those against it are said.

    Parameters
    ----------
    statements : sequence of Statement
        In the order of their weight.
    remarks : sequence of str
        Further disagreements, such as of polygons or records among themselves.
    """
    if not statements:
        return Establishment(means="uncertain", source="unknown")
    first = statements[0]
    against = [item.words for item in statements[1:] if _opposed(item.means, first.means)]
    said = [*against, *remarks]
    return Establishment(
        means=first.means,
        source=first.source,
        remark=f"{first.words}, but {' and '.join(said)}" if said else "",
        disputed=bool(said),
    )


def decide_establishment(
    *,
    polygon: str | None,
    records: Sequence[str],
    checklist: str | None,
    listed: Sequence[Statement] = (),
    polygons_differ: bool = False,
) -> Establishment:
    """Decide the status of a species at a place.

    Parameters
    ----------
    polygon, checklist : str or None
        Darwin Core establishmentMeans from each, None when it says nothing.
    records : sequence of str
        The terms that records within the radius carry, one per record that carries one.
    listed : sequence of Statement
        What the checklists of the regions that hold the place say, smallest region first.
    polygons_differ : bool
        Whether polygons that hold the place disagree among themselves.
    """
    heard_of = _majority(records)
    statements = [] if polygon is None else [Statement(source="polygon", means=polygon)]
    statements += listed
    statements += [] if heard_of is None else [Statement(source="record", means=heard_of)]
    statements += [] if checklist is None else [Statement(source="checklist", means=checklist)]
    remarks = []
    mixed = {side(term) for term in records} >= {"native", "introduced"}
    opposed = any(_opposed(item.means, statements[0].means) for item in statements)
    if mixed and (statements[0].source == "record" or not opposed):
        remarks.append("records disagree among themselves")
    if polygons_differ:
        remarks.append("other polygons disagree")
    return settle(statements, remarks=remarks)


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
    return Establishment(
        means=decided.means,
        source=decided.source,
        remark="; ".join(text for text in (decided.remark, told) if text),
        disputed=decided.disputed,
    )


def establishment_of(
    located: pa.Table,
    status: pa.Table,
    checklist: Checklist,
    *,
    radius_km: float,
    listed: Mapping[str, Sequence[Statement]] | None = None,
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
        Species to what the checklists of regions say there, smallest region first.
    """
    said = terms_of_records(located, radius_km=radius_km)
    found = {}
    for row in status.to_pylist():
        name = row["scientificName"]
        terms = said.get(name, Terms())
        decided = decide_establishment(
            polygon=row["establishmentMeans"],
            records=terms.here,
            checklist=checklist.establishment(name),
            listed=(listed or {}).get(name, ()),
            polygons_differ=polygons_disagree(row["words"]),
        )
        found[name] = _with_elsewhere(decided, terms)
    return found
