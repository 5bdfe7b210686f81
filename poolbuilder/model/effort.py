"""Detections against effort: where people looked, what they found, and what silence means.

Regional evidence is the kernel-weighted number of places where a species was found over
the kernel-weighted number of places that were looked at.  Places that stand close together
say much the same, so each counts with the inverse square root of the density around it.

Silence in a water counts by the length of the lists made there: the chance that a list of
*L* names misses a species that is present is ``1 - p(L)`` with ``logit p = α + β ln L``
(list-length analysis: Szabo, Vesk, Baxter & Possingham 2010, Ecol. Appl. 20:2157-2169;
from memory).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from poolbuilder.model.lists import Lists
from poolbuilder.model.logistic import fit, inverse_logit
from poolbuilder.places.geodesy import to_ecef
from poolbuilder.settings import Settings

__all__ = [
    "Detectability",
    "agreement",
    "chunks",
    "decluster",
    "fit_detectability",
    "list_completeness",
    "pair_km",
    "place_completeness",
    "reporting_share",
    "silence",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

EARTH_KM = 6371.0088
ROWS = 512
"""Rows of a distance matrix that are held at once."""

AGREEMENT_KM = 0.5
DENSITY_KM = 2.0
FEW_COMPARISONS = 20.0
MOST_LISTS = 3000


def pair_km(a: Floats, b: Floats) -> Floats:
    """Distances between ECEF points in metres, (m, 3) and (n, 3), as an (m, n) array in km.

    The chord is bent to the arc of the mean sphere by the first terms of the arcsine; up to
    1,000 km the result is within 0.4 % of the geodesic, far below what a kernel can tell apart.
    """
    square = (a**2).sum(axis=1)[:, None] + (b**2).sum(axis=1)[None, :] - 2 * a @ b.T
    square = np.maximum(square, 0.0) * 1e-6
    bend = square / (4 * EARTH_KM**2)
    out: Floats = np.sqrt(square) * (1 + bend * (1 / 6 + bend * 3 / 40))
    return out


def chunks(size: int) -> list[slice]:
    """Rows of a distance matrix that are held at once, piece after piece."""
    return [slice(start, min(start + ROWS, size)) for start in range(0, size, ROWS)]


def decluster(longitude: Floats, latitude: Floats) -> Floats:
    """Weight of each place: the inverse square root of the number of places about it, (n,)."""
    points = to_ecef(longitude, latitude)
    density = np.empty(len(points))
    for rows in chunks(len(points)):
        density[rows] = np.exp(-((pair_km(points[rows], points) / DENSITY_KM) ** 2)).sum(axis=1)
    weight: Floats = density**-0.5
    return weight


def reporting_share(
    distance_km: Floats,
    usable: Bools,
    found: Floats,
    weight: Floats,
    *,
    kernel_km: float,
    reach_km: float,
    settings: Settings,
) -> Floats:
    """Kernel-weighted detections over kernel-weighted effort, (m, s).

    Parameters
    ----------
    distance_km : (m, n) array
        From each water to each place.
    usable : (m, n) bool array
        Which places may speak for which water.
    found : (n, s) array
        1 where the species was found.
    weight : (n,) or (m, n) array
        Weight of each place, or of each for each water.
    kernel_km, reach_km : float
        Scale of the kernel, and the distance beyond which it is 0.

    Notes
    -----
    ``(Σ w K y + a π) / (Σ w K + a)`` with K = exp(-(d - gap)/kernelKm), 1 nearer than the
    gap, 0 beyond the reach, and a = ``effortPrior`` pseudo-places at the mean
    share π of all places that may speak.
    """
    start = np.maximum(distance_km - settings.effort_gap_km, 0.0)
    kernel = np.exp(-start / kernel_km) * (usable & (distance_km <= reach_km)) * weight
    prior = settings.effort_prior
    mean = (usable @ found + 0.1) / (usable.sum(axis=1, keepdims=True) + 1.0)
    out: Floats = (kernel @ found + prior * mean) / (kernel.sum(axis=1, keepdims=True) + prior)
    return out


def agreement(lists: Lists) -> tuple[float, float]:
    """How much of a list is found again on another made near by, and on how many comparisons.

    The names other than candidates are compared; pairs of lists weigh exp(-d / 0.5 km).
    Thinning all lists to a share p of their records multiplies it by p.
    """
    step = max(1, -(-len(lists) // MOST_LISTS))
    some = lists.where(np.arange(len(lists)) % step == 0)
    others = some.matrix()[:, some.candidates :]
    points = to_ecef(some.longitude, some.latitude)
    length = others.sum(axis=1)
    shared = total = pairs = 0.0
    for rows in chunks(len(points)):
        distance = pair_km(points[rows], points)
        near = np.exp(-distance / AGREEMENT_KM) * (distance < 10 * AGREEMENT_KM)
        index = np.arange(rows.start, rows.stop)
        near[np.arange(len(index)), index] = 0.0
        shared += float((near * (others[rows] @ others.T)).sum())
        total += float((near * length[rows][:, None]).sum())
        pairs += float(near.sum())
    return (shared / total if total > 0 else math.nan), pairs


def list_completeness(lists: Lists, *, settings: Settings) -> float | None:
    """Chance that a fish that is present is on a list, 0.02-1; None when it cannot be told.

    Agreement of neighbouring lists over that of complete ones (``completeListAgreement``), less
    what comes of lists on which nothing was found not being seen at all.
    """
    value, comparisons = agreement(lists)
    if comparisons < FEW_COMPARISONS or not math.isfinite(value):
        return None
    seen = float(min(1.0, max(0.02, value / settings.complete_list_agreement)))
    length = lists.lengths
    return max(0.02, _with_the_empty(seen, float(length[length > 0].mean())))


def _with_the_empty(seen: float, length: float) -> float:
    """Chance over all lists from the chance over lists that hold something.

    Solves ``c = seen (1 - (1 - c)^n)`` for n = length / seen fishes present.
    """
    present = max(length / seen, 1.0)
    chance = seen
    for _ in range(200):
        chance = seen * (1 - (1 - chance) ** present)
    return chance


def place_completeness(of_a_list: float | None, visits: Ints) -> float:
    """Share of the fishes present that the lists of a place hold together, on average over places.

    ``1 - (1 - c)^visits``; lists of unknown completeness are taken as complete.
    """
    if of_a_list is None or len(visits) == 0:
        return 1.0
    return float((1 - (1 - of_a_list) ** visits).mean())


@dataclass(frozen=True, kw_only=True)
class Detectability:
    """``logit p(L) = α + β ln L``: the chance that a list holds a species that is present.

    Attributes
    ----------
    alpha : mapping
        Species to its own α, shrunk to the group's.
    group_alpha, beta : float
    lists : int
        Repeat lists it was learnt from; 0 means the settings' values.
    """

    alpha: Mapping[str, float]
    group_alpha: float
    beta: float
    lists: int

    def probability(self, species: str, length: Floats | float) -> Floats:
        """Chance for lists of the given length, the species itself not counted; below 1."""
        alpha = self.alpha.get(species, self.group_alpha)
        size = np.maximum(np.asarray(length, dtype=float), 1.0)
        return inverse_logit(alpha + self.beta * np.log(size))


def _repeats(lists: Lists, settings: Settings) -> tuple[Ints, Floats, Floats]:
    """For every list at a place with another: candidate, ln L, and whether it is on the list.

    Only candidates that another list of the same place holds: there they are known to occur.
    """
    places = lists.places(settings=settings)
    found = np.zeros((len(lists), lists.candidates))
    own = lists.name < lists.candidates
    found[lists.event[own], lists.name[own]] = 1
    at_place = np.zeros((len(places), lists.candidates))
    np.add.at(at_place, places.place, found)
    elsewhere = (at_place[places.place] - found) > 0
    event, species = np.nonzero(elsewhere)
    length = lists.lengths[event] - found[event, species]
    return species, np.log(np.maximum(length, 1.0)), found[event, species]


def fit_detectability(lists: Lists, *, settings: Settings) -> Detectability:
    """Learn detectability from repeat lists at the same places.

    A list counts for a species when another list of the same place holds it.  Each
    species' α is shrunk to the group's; with no repeats the settings' values stand.
    """
    start = np.array([settings.list_alpha, settings.list_beta])
    species, size, hit = _repeats(lists, settings) if lists.candidates else (np.zeros(0), None, None)
    if size is None or hit is None or len(size) == 0:
        return Detectability(alpha={}, group_alpha=float(start[0]), beta=float(start[1]), lists=0)
    x = np.stack([np.ones(len(size)), size], axis=1)
    group = fit(x, hit, mean=start, precision=np.array([1.0, 4.0])).coefficients
    alpha = {}
    for code in np.unique(species).tolist():
        mine = species == code
        shifted = x[mine] @ group
        own = _offset_fit(shifted, hit[mine])
        alpha[lists.species[code]] = float(group[0] + own)
    return Detectability(
        alpha=alpha, group_alpha=float(group[0]), beta=float(max(group[1], 0.0)), lists=len(size)
    )


def _offset_fit(offset: Floats, y: Floats) -> float:
    """Posterior mode of a shift of *offset*, N(0, 1) a priori."""
    shift = 0.0
    for _ in range(30):
        p = inverse_logit(offset + shift)
        step = float(((y - p).sum() - shift) / ((p * (1 - p)).sum() + 1.0))
        shift += max(-1.0, min(1.0, step))
        if abs(step) < 1e-10:
            break
    return shift


def silence(
    in_water: Lists, species: Sequence[str], *, detectability: Detectability
) -> dict[str, tuple[float, str]]:
    """What it means that lists made in this water do not hold a species.

    Returns
    -------
    dict
        Species to m = Π (1 - p(L)), the chance that all lists would have missed it, and the
        words for it.  Species that a list holds are left out; without any list the result
        is empty, and silence is unknown.
    """
    if len(in_water) == 0:
        return {}
    seen = {in_water.names[i] for i in np.unique(in_water.name).tolist() if i < in_water.candidates}
    length = in_water.lengths.astype(float)
    told = {}
    for name in species:
        if name in seen:
            continue
        missed = float(np.prod(1 - detectability.probability(name, length)))
        told[name] = (max(missed, 1e-9), _silence_words(len(in_water), float(length.mean()), missed))
    return told


def _silence_words(count: int, mean: float, missed: float) -> str:
    lists = "one list" if count == 1 else f"{count:,} lists"
    chance = f"{missed:.2f}" if missed >= 0.01 else f"{missed:.1g}"
    return (
        f"not on {lists} made in this water ({mean:.1f} fishes on average); "
        f"chance that all of them missed it: {chance}"
    )
