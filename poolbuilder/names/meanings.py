"""Names with two meanings: which species a record means, by place, then date, then its neighbours.

A species list says where each accepted species of a split lives (``meansWhere``): hydrologic unit
codes (digits; a prefix holds all units below it), states, provinces or countries (``US-MI``, ``CA``)
and boxes (``box west south east north``, degrees), separated by ``|``.  Where the hydrologic unit
of a record is known the units decide, else states and boxes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from poolbuilder.names.checklist import Checklist, open_meanings

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
    rows, species, shares = [np.zeros(0, np.int64)], [np.zeros(0, np.int64)], [np.zeros(0)]
    for meant, members in groups.items():
        where = np.array(members)
        columns = np.array([position[name] for name in meant])
        weight = np.ones((len(where), len(meant)))
        if len(meant) > 1:
            units = None if unit is None else unit[where]
            weight = np.where(open_meanings(meant, x[where], y[where], checklist, unit=units), 1.0, ELSEWHERE)
            weight *= _by_date(meant, years[where], checklist)
            if around is not None:
                near = around[columns] if around.ndim == 1 else around[np.ix_(where, columns)]
                weight *= near + ALIKE
            weight /= weight.sum(axis=1, keepdims=True)
        rows.append(np.repeat(where, len(meant)))
        species.append(np.tile(columns, len(where)))
        shares.append(weight.ravel())
    record = np.concatenate(rows)
    order = np.argsort(record, kind="stable")
    return NameShares(
        row=record[order], species=np.concatenate(species)[order], share=np.concatenate(shares)[order]
    )


def _by_date(names: Sequence[str], year: NDArray[np.float64], checklist: Checklist) -> NDArray[np.float64]:
    """Factors of each record and meaning after the last year of the wide sense."""
    factor = np.ones((len(year), len(names)))
    for column, name in enumerate(names):
        last = checklist.split_year(name)
        if last is not None:
            with np.errstate(invalid="ignore"):
                factor[year > last, column] = BY_THE_LETTER
    return factor
