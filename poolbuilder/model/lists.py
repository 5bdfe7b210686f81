"""Species lists of the target group: who looked, where and when, and what was found.

A list is one sampling event of the wider group (all fishes, say) with the names recorded
at it.  Lists carry what single records cannot: that a place was looked at and a species
was *not* found (the target-group background of Ponder et al. 2001, Conserv. Biol.
15:648-657, and Phillips et al. 2009, Ecol. Appl. 19:181-197; both from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from poolbuilder import tables
from poolbuilder.model.evidence import event_keys
from poolbuilder.settings import Settings

__all__ = ["Lists", "Places", "list_name", "lists_from"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

LOOKED = frozenset({"absent", "no_name"})
"""Rules whose records are no evidence of a fish, but do prove that somebody looked."""

_GENUS_ONLY = frozenset({"sp", "sp.", "spp", "spp.", "species"})


@dataclass(frozen=True, kw_only=True, eq=False)
class Places:
    """Lists joined by place: what was ever found there.

    Attributes
    ----------
    longitude, latitude : (n,) array
        Degrees, WGS84; places are sorted by them.
    visits : (n,) int array
        Lists made at each place.
    hybrid : (n,) bool array
        Where a hybrid of a candidate was caught.
    found : (n, s) array
        1 where a candidate species was recorded, else 0.
    others : (n, k) array
        The same for the other names, which never include a candidate or a hybrid of one.
    species, other_names : tuple of str
        Names of the columns.
    place : (m,) int array
        Row of the place of each list.
    """

    longitude: Floats
    latitude: Floats
    visits: Ints
    hybrid: Bools
    found: Floats
    others: Floats
    species: tuple[str, ...]
    other_names: tuple[str, ...]
    place: Ints

    def __len__(self) -> int:
        return len(self.longitude)


@dataclass(frozen=True, kw_only=True, eq=False)
class Lists:
    """Target-group events and the names recorded at each.

    Attributes
    ----------
    keys : tuple of str
        Event keys, sorted.
    longitude, latitude : (n,) array
        Degrees, WGS84, of the best placed record of each event.
    uncertainty_m : (n,) array
        Its uncertainty.
    year : (n,) int array
        -1 when unknown.
    hybrid : (n,) bool array
        Whether a hybrid of a candidate is on the list, with or without its parents' names.
    distance_km, in_water_share : (n,) array
        To and in the site's water; NaN where the records were not located.
    names : tuple of str
        Candidates first, then the others, each sorted.
    candidates : int
        How many of *names* are candidates.
    event, name : (p,) int array
        The names on the lists as pairs of row and column, sorted, without repeats.
    """

    keys: tuple[str, ...]
    longitude: Floats
    latitude: Floats
    uncertainty_m: Floats
    year: Ints
    hybrid: Bools
    distance_km: Floats
    in_water_share: Floats
    names: tuple[str, ...]
    candidates: int
    event: Ints
    name: Ints

    def __len__(self) -> int:
        return len(self.keys)

    @property
    def species(self) -> tuple[str, ...]:
        """The candidates that are on at least one list."""
        return self.names[: self.candidates]

    @property
    def lengths(self) -> Ints:
        """Names on each list."""
        return np.bincount(self.event, minlength=len(self)).astype(np.int64)

    def matrix(self) -> Floats:
        """Lists by names, 1 where a name is on a list."""
        found = np.zeros((len(self), len(self.names)))
        found[self.event, self.name] = 1
        return found

    def where(self, mask: Bools) -> Lists:
        """The lists for which *mask* is True; the names stay as they are."""
        rows = np.flatnonzero(mask)
        new = np.full(len(self), -1, dtype=np.int64)
        new[rows] = np.arange(len(rows))
        kept = new[self.event] >= 0
        return Lists(
            keys=tuple(self.keys[row] for row in rows.tolist()),
            longitude=self.longitude[rows],
            latitude=self.latitude[rows],
            uncertainty_m=self.uncertainty_m[rows],
            year=self.year[rows],
            hybrid=self.hybrid[rows],
            distance_km=self.distance_km[rows],
            in_water_share=self.in_water_share[rows],
            names=self.names,
            candidates=self.candidates,
            event=new[self.event[kept]],
            name=self.name[kept],
        )

    def in_water(self, *, settings: Settings) -> Bools:
        """Lists made in the site's water.

        By the outline where one is known, else within ``sameWaterKm`` of the site.
        """
        outlined = ~np.isnan(self.in_water_share)
        near = np.nan_to_num(self.distance_km, nan=np.inf) <= settings.same_water_km
        return np.where(outlined, np.nan_to_num(self.in_water_share) >= 0.5, near)

    def places(self, *, settings: Settings, species: Sequence[str] | None = None) -> Places:
        """Join the lists of each place, a cell of ``listPlaceDegrees``.

        Parameters
        ----------
        species : sequence of str, optional
            The candidate columns wanted, in this order; those on no list are all 0.
        """
        size = settings.list_place_degrees
        cell = np.stack(
            [
                np.round(self.longitude / size).astype(np.int64),
                np.round(self.latitude / size).astype(np.int64),
            ],
            axis=1,
        )
        cells, place = np.unique(cell, axis=0, return_inverse=True)
        place = place.reshape(-1).astype(np.int64)
        visits = np.bincount(place, minlength=len(cells)).astype(np.int64)
        found = np.zeros((len(cells), len(self.names)))
        found[place[self.event], self.name] = 1
        wanted = self.species if species is None else tuple(species)
        column = {name: i for i, name in enumerate(self.species)}
        own = np.zeros((len(cells), len(wanted)))
        for i, name in enumerate(wanted):
            if name in column:
                own[:, i] = found[:, column[name]]
        with np.errstate(invalid="ignore"):
            longitude = np.bincount(place, self.longitude, minlength=len(cells)) / visits
            latitude = np.bincount(place, self.latitude, minlength=len(cells)) / visits
        return Places(
            longitude=longitude,
            latitude=latitude,
            visits=visits,
            hybrid=np.bincount(place, self.hybrid, minlength=len(cells)) > 0,
            found=own,
            others=found[:, self.candidates :],
            species=wanted,
            other_names=self.names[self.candidates :],
            place=place,
        )


def list_name(text: str | None) -> str | None:
    """One spelling for a name of the wider group, or None when it names no species.

    A binomial is cut to genus and epithet; anything else, a vernacular name for instance,
    is kept whole in lower case.

    Examples
    --------
    >>> list_name("Micropterus salmoides (Lacepède, 1802)")
    'Micropterus salmoides'
    >>> list_name("BLUE RIDGE SCULPIN")
    'blue ridge sculpin'
    >>> list_name("Notropis sp.") is None
    True
    """
    words = (text or "").split()
    if len(words) < 1 or (len(words) > 1 and words[1].lower() in _GENUS_ONLY):
        return None
    if len(words) > 1 and words[0][:1].isupper() and words[0][1:].islower() and words[1].islower():
        return " ".join(words[:2])
    return " ".join(words).casefold()


def _named_pairs(table: pa.Table, event: Ints) -> tuple[list[str], list[str], Ints, list[str]]:
    """Candidate names, other names, and the pairs of event and name of *table*."""
    roles = tables.strings(table["role"])
    rejected = tables.valid(table["rejectedBy"]).tolist()
    accepted = table["acceptedNames"].to_pylist()
    code, distinct = tables.codes(table["scientificName"])
    spelled = [list_name(text) for text in distinct]
    pairs: list[tuple[int, str, bool]] = []
    for row, (role, out) in enumerate(zip(roles, rejected, strict=True)):
        if out:
            continue
        if role == "candidate":
            pairs += [(int(event[row]), name, True) for name in accepted[row]]
        elif role == "group":
            name = spelled[code[row]] if code[row] >= 0 else None
            if name:
                pairs.append((int(event[row]), name, False))
    own = sorted({name for _, name, mine in pairs if mine})
    other = sorted({name for _, name, mine in pairs if not mine})
    return (
        own,
        other,
        np.array([pair[0] for pair in pairs], dtype=np.int64),
        [("c " if mine else "o ") + name for _, name, mine in pairs],
    )


def _best_rows(event: Ints, table: pa.Table, size: int) -> Ints:
    """The best placed record of each event; ties by longitude, latitude."""
    longitude = tables.numbers(table["longitude"])
    latitude = tables.numbers(table["latitude"])
    uncertainty = tables.numbers(table["uncertaintyM"])
    order = np.lexsort((latitude, longitude, np.nan_to_num(uncertainty, nan=np.inf), event))
    first = np.full(size, -1, dtype=np.int64)
    first[event[order][::-1]] = order[::-1]
    return first


def lists_from(table: pa.Table, *, settings: Settings) -> Lists:
    """Make the lists of the target group from screened or located records.

    Parameters
    ----------
    table : Table, schema SCREENED or LOCATED
        Kept records of candidates, of their hybrids and of the wider group make up the
        lists.  Records of absence add their event and no name.  Rows may come in any order.

    Returns
    -------
    Lists
        Empty when no record of the wider group is among them: then nobody is known to have
        looked for anything but the candidates, and silence means nothing.

    Notes
    -----
    Events are those of :func:`poolbuilder.model.evidence.event_keys`.  A name that may mean
    several species is an entry for each; hybrids and fishes named to the genus only keep
    their event but are no entry of a list.
    """
    has_role = np.array(
        [role in {"candidate", "hybrid", "group", "genus", "none"} for role in tables.strings(table["role"])],
        dtype=bool,
    )
    rules = tables.strings(table["rejectedBy"])
    looked = np.array([rule is None or rule in LOOKED for rule in rules], dtype=bool)
    placed = tables.valid(table["longitude"]) & tables.valid(table["latitude"])
    table = tables.where(table, has_role & looked & placed)
    keys, _ = event_keys(table, settings=settings)
    distinct = sorted(set(keys))
    index = {key: i for i, key in enumerate(distinct)}
    event = np.array([index[key] for key in keys], dtype=np.int64)
    own, other, rows, tagged = _named_pairs(table, event)
    if not other:
        return _empty(own)
    column = {("c " + name): i for i, name in enumerate(own)}
    column |= {("o " + name): len(own) + i for i, name in enumerate(other)}
    pair = np.unique(
        np.stack([rows, np.array([column[tag] for tag in tagged], dtype=np.int64)], axis=1), axis=0
    )
    best = _best_rows(event, table, len(distinct))
    located = "distanceKm" in table.column_names
    unknown = np.full(len(distinct), np.nan)
    year = np.full(len(distinct), -1, dtype=np.int64)
    np.maximum.at(year, event, tables.integers(table["eventYear"]))
    return Lists(
        keys=tuple(distinct),
        longitude=tables.numbers(table["longitude"])[best],
        latitude=tables.numbers(table["latitude"])[best],
        uncertainty_m=tables.numbers(table["uncertaintyM"])[best],
        year=year,
        hybrid=np.bincount(event, _kept_hybrids(table), minlength=len(distinct)) > 0,
        distance_km=tables.numbers(table["distanceKm"])[best] if located else unknown,
        in_water_share=tables.numbers(table["inWaterShare"])[best] if located else unknown,
        names=(*own, *other),
        candidates=len(own),
        event=pair[:, 0],
        name=pair[:, 1],
    )


def _kept_hybrids(table: pa.Table) -> Bools:
    hybrid = np.array([role == "hybrid" for role in tables.strings(table["role"])], dtype=bool)
    kept: Bools = hybrid & ~tables.valid(table["rejectedBy"])
    return kept


def _empty(own: Sequence[str]) -> Lists:
    nothing = np.zeros(0)
    none = np.zeros(0, dtype=np.int64)
    return Lists(
        keys=(),
        longitude=nothing,
        latitude=nothing,
        uncertainty_m=nothing,
        year=none,
        hybrid=none > 0,
        distance_km=nothing,
        in_water_share=nothing,
        names=tuple(own),
        candidates=len(own),
        event=none,
        name=none,
    )
