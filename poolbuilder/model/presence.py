"""The one function that turns what is known into presence.

    logit presence = logit(prior by status) + wide + near + water type + fish community
                     + every find, non-detection and statement in the water + time passed

Everything that gives a presence calls :func:`weigh`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from poolbuilder.model.constants import Constants
from poolbuilder.model.evidence import MAY_BE_HERE
from poolbuilder.model.fish_community import Community, learn_community, predictors
from poolbuilder.model.logistic import inverse_logit, logit, pair_km
from poolbuilder.model.looking import Looking, Texts, plain_name
from poolbuilder.model.memory import Memory, Settling, WaterEvents, remember, settling
from poolbuilder.model.share import Shares, Smoothing, learn_smoothing, nested_shares, some_unlike
from poolbuilder.places.geodesy import to_ecef
from poolbuilder.places.uncertainty import share_inside, sigma_km
from poolbuilder.settings import Settings

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]

Z90 = 1.6448536269514722
"""Half-width of a central 90 % interval in standard deviations."""
NAMED_HERE = 0.95
"""Chance that a record that names this very water, near it, comes from it."""
NAMED_KM = 25.0
POINT_KM, POINT_UNCERTAINTY_M = 0.1, 2000.0
"""So near, and placed so well, a record is at the very point; only rounded points meet there by chance."""
LIKELY_HERE = 0.5
SURVEY_NAMES = 2
"""An event with fewer names may be a find: of the others it says no more than one name of many does."""
EDGE = 1e-5
MOST_VARIANCE = 25.0


@dataclass(frozen=True, kw_only=True, eq=False)
class Region:
    """What the looked-at sites around a water teach; learnt once, used for every water in it."""

    looking: Looking
    smoothing: Smoothing
    community: Community | None


def learn(
    looking: Looking,
    prior: Floats,
    *,
    constants: Constants,
    settings: Settings,
    left_out: Bools | None = None,
) -> Region:
    """Learn a region from its sites; *prior* is the starting share of each candidate, (s,)."""
    open_to = np.ones(len(looking), dtype=bool) if left_out is None else ~left_out
    smoothing = learn_smoothing(looking, prior, open_to=open_to, gap_km=settings.effort_gap_km)
    community = None
    if not looking.only_candidates:
        community = learn_community(
            looking, prior, smoothing, constants=constants, settings=settings, open_to=open_to
        )
    return Region(looking=looking, smoothing=smoothing, community=community)


@dataclass(frozen=True, kw_only=True, eq=False)
class WaterSeen:
    """One water as the model sees it.

    Attributes
    ----------
    longitude, latitude : float
    prior : (s,) array
        Starting share of each candidate by status.
    kind : int
        Still or running; 0 where it is not known.
    here : (e,) array
        Chance that each event of the region was made in this water.
    statements : WaterEvents
        What people say of this water.
    now : float
        Year of the answer.
    away_km : (n,) array or None
        Distances to the sites along the water, where they are known.
    """

    longitude: float
    latitude: float
    prior: Floats
    kind: int
    here: Floats
    statements: WaterEvents
    now: float
    away_km: Floats | None = None


@dataclass(frozen=True, kw_only=True, eq=False)
class Weighed:
    """Presence of each candidate, taken apart.

    Attributes
    ----------
    presence, low, high : (s,) array
        With its 90 % interval.
    before : (s,) array
        Presence before anything was seen in the water itself.
    parts : mapping
        ``status``, ``wide``, ``near``, ``waterType``, ``community``: log-odds, (s,).
    memory : Memory
        Its steps follow the parts; all sum to logit(presence).
    settling : Settling
    own : (n,) bool array
        Sites of the region that are of this water.
    away_km : (n,) array
        Distance of each site.
    community : bool
        Whether the other fishes of the water are known.
    """

    presence: Floats
    low: Floats
    high: Floats
    before: Floats
    parts: dict[str, Floats]
    memory: Memory
    settling: Settling
    own: Bools
    away_km: Floats
    community: bool


def chance_here(
    points: Floats,
    uncertainty_m: Floats,
    waters: Texts,
    site_longitude: float,
    site_latitude: float,
    name: str,
    in_outline: Floats | None,
    *,
    settings: Settings,
) -> Floats:
    """Chance that each event was made in the water of a site, (e,).

    By the outline where one is known (*in_outline*, NaN where it is not), else by the distance of *points*,
    (e, 3) in ECEF metres, against ``sameWaterKm``; an event at the very point, or near by and naming the
    water (*waters*), counts as placed in it.  One function for finds and for
    non-detections.
    """
    here = np.zeros(len(points))
    if not len(here):
        return here
    point = to_ecef(np.array([site_longitude]), np.array([site_latitude]))
    away = pair_km(point, points)[0]
    if in_outline is not None and not np.isnan(in_outline).all():
        here = np.nan_to_num(in_outline)
    else:
        radius = max(settings.same_water_km, 1e-3)
        near = np.flatnonzero(away <= radius + 3 * uncertainty_m / 1000)
        sigma = sigma_km(np.maximum(uncertainty_m[near], 1.0), quantile=settings.uncertainty_quantile)
        here[near] = share_inside(away[near], sigma, radius)
    at_point = (away <= POINT_KM) & (uncertainty_m <= POINT_UNCERTAINTY_M)
    here = np.where(at_point, 1.0, here)
    called = plain_name(name)
    if called:
        near = np.flatnonzero(away <= NAMED_KM)
        same = near[waters.take(near).name(called)]
        here[same] = np.maximum(here[same], NAMED_HERE)
    return here


def _events_here(looking: Looking, water: WaterSeen, settings: Settings) -> WaterEvents:
    """Sampling events that may be of the water, and statements about it."""
    events = looking.events
    rows = np.flatnonzero(water.here > MAY_BE_HERE)
    if not len(rows):
        return water.statements
    found = np.maximum(events.found.of(rows), settings.hybrid_parent_weight * events.hybrid.of(rows))
    scope = events.scopes[events.scope[rows]] | (found > 0)
    year = np.where(np.isnan(events.year[rows]), water.now - settings.undated_age_years, events.year[rows])
    single = np.where(events.names[rows] < SURVEY_NAMES, 1 / events.usual_names, 1.0)
    missed = 1 - np.minimum(events.completeness[rows], single)[:, None] * scope
    # Passes of one day at one site miss the same fish: one occasion, which names what any of them named.
    order = np.lexsort((-found.sum(axis=1), events.occasion[rows]))
    first = np.flatnonzero(np.diff(events.occasion[rows][order], prepend=-1))

    def joined(values: Floats, how: np.ufunc) -> Floats:
        out: Floats = how.reduceat(values[order], first, axis=0)
        return out

    lead, stated = order[first], water.statements
    return WaterEvents(
        year=np.minimum(np.concatenate([year[lead], stated.year]), water.now),
        here=np.concatenate([joined(water.here[rows], np.maximum), stated.here]),
        found=np.concatenate([joined(found, np.maximum), stated.found]),
        completeness=np.concatenate([1 - joined(missed, np.multiply), stated.completeness]),
        event=np.concatenate([rows[lead], stated.event]),
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class Expected:
    """What is to be expected of waters before anything was seen of the candidates in them.

    Attributes
    ----------
    log_odds, error : (m, s) array
    parts : mapping
        The steps that lead to *log_odds*, (m, s) each.
    km : (m, n) array
        Distance of each site.
    community : (m,) bool array
        Whether the other fishes of the water are known.
    """

    log_odds: Floats
    error: Floats
    parts: dict[str, Floats]
    km: Floats
    community: Bools


def expect(
    region: Region,
    waters: Sequence[WaterSeen],
    *,
    own: Bools,
    others: Sequence[Floats],
    constants: Constants,
) -> Expected:
    """What the surroundings and the fish community of waters let expect.

    Parameters
    ----------
    own : (m, n) bool array
        Sites of the region that are of each water; they do not speak for it.
    others : sequence of (q, k) array
        Other fishes at each of a water's own sites, in the columns of the region; (0, k) where unknown.
    """
    looking, usable = region.looking, ~own
    points = to_ecef(
        np.array([water.longitude for water in waters]), np.array([water.latitude for water in waters])
    )
    km = pair_km(points, looking.points)
    for i, water in enumerate(waters):
        if water.away_km is not None:
            km[i] = water.away_km
    start = np.stack([water.prior for water in waters])
    plain, typed = nested_shares(
        km,
        usable,
        looking,
        start,
        kinds=np.array([water.kind for water in waters]),
        constants=constants,
        smoothing=region.smoothing,
    )
    straight, value, wide = (
        logit(np.clip(share, EDGE, 1 - EDGE)) for share in (plain.share, typed.share, plain.wide)
    )
    prior = logit(start)
    parts = {
        "status": prior,
        "wide": wide - prior,
        "near": straight - wide,
        "waterType": value - straight,
        "community": np.zeros_like(value),
    }
    error = np.sqrt(np.minimum(typed.variance, MOST_VARIANCE))
    known = np.array([region.community is not None and len(each) > 0 for each in others], dtype=bool)
    if region.community is not None and (rows := np.flatnonzero(known)).size:
        # Learnt on all sites, whatever their type: what it changes there, it changes here.
        taught, more, slope = _by_community(region.community, looking, plain, km, usable, others, rows)
        there = inverse_logit(value[rows] + taught - straight[rows])
        variance = (more**2 + (slope * error[rows]) ** 2) * (there * (1 - there)) ** 2
        there, variance = some_unlike(np.clip(there, EDGE, 1 - EDGE), start[rows], variance)
        parts["community"][rows] = logit(there) - value[rows]
        value[rows] = logit(there)
        error[rows] = np.sqrt(np.minimum(variance / (there * (1 - there)) ** 2, MOST_VARIANCE))
    return Expected(log_odds=value, error=error, parts=parts, km=km, community=known)


def weigh(
    region: Region, waters: Sequence[WaterSeen], *, constants: Constants, settings: Settings
) -> list[Weighed]:
    """Weigh every candidate of some waters of a region.

    Returns
    -------
    list of Weighed
        A pure function of its arguments; each water is weighed as it is by itself.
    """
    looking = region.looking
    own = np.zeros((len(waters), len(looking)), dtype=bool)
    for mine, water in zip(own, waters, strict=True):
        mine[looking.events.site[water.here >= LIKELY_HERE]] = True
    others = [looking.others[mine & looking.listed] for mine in own]
    expected = expect(region, waters, own=own, others=others, constants=constants)
    before = inverse_logit(expected.log_odds)
    rate = np.array([constants.turnover_of(name) for name in looking.species])
    faster = np.array([constants.error_of("turnover", name) for name in looking.species])
    now = np.array([water.now for water in waters])
    events = [
        _genera_shared(_events_here(looking, water, settings), start, rate, water.now, constants)
        for water, start in zip(waters, before, strict=True)
    ]
    variants = _variants(expected, rate, faster, constants)
    memories, presence = remember(
        inverse_logit(variants[0]),
        events,
        rate=variants[1],
        now=now,
        mistake=variants[2],
        constants=constants,
    )
    low, high = _interval(presence)
    settled = settling(np.stack([memory.state for memory in memories]), before, constants)
    return [
        Weighed(
            presence=presence[0, i],
            low=low[i],
            high=high[i],
            before=before[i],
            parts={name: part[i] for name, part in expected.parts.items()},
            memory=memory,
            settling=Settling(
                if_found=settled.if_found[i], if_missed=settled.if_missed[i], lists=settled.lists[i]
            ),
            own=own[i],
            away_km=expected.km[i],
            community=bool(expected.community[i]),
        )
        for i, memory in enumerate(memories)
    ]


def _genera_shared(
    events: WaterEvents, before: Floats, rate: Floats, now: float, constants: Constants
) -> WaterEvents:
    """Finds that name a genus only (NaN for each of its species), shared out by what else is known.

    At least one of them lives there: taking a share ``s`` of the find for one species, ``s + (1 - s) p`` is
    its chance ``p`` among the cases with any.
    """
    open_ = np.isnan(events.found)
    if not open_.any():
        return events
    certain = replace(
        events, found=np.nan_to_num(events.found), completeness=np.where(open_, 0.0, events.completeness)
    )
    _, ((known,),) = remember(
        before[None, None],
        [certain],
        rate=rate[None, None],
        now=np.array([now]),
        mistake=np.full((1, 1, len(before)), constants.mistake),
        constants=constants,
    )
    p = np.where(open_, np.clip(known, EDGE, 1 - EDGE), 0.0)
    several = 1 - np.prod(1 - p, axis=1, keepdims=True)
    shared = np.where(open_, p * (1 / np.maximum(several, EDGE) - 1) / (1 - p), events.found)
    return replace(events, found=shared)


def _variants(
    expected: Expected, rate: Floats, faster: Floats, constants: Constants
) -> tuple[Floats, Floats, Floats]:
    """Log-odds (7, m, s), turnover and mistakes (7, 1, s) as they are, and each 1.64 standard errors off."""
    value, wrong = expected.log_odds, np.full(len(rate), constants.mistake)
    rows = [(value, rate, wrong)]
    for way in (-Z90, Z90):
        rows += [
            (value + way * expected.error, rate, wrong),
            (value, rate * np.exp(way * faster), wrong),
            (value, rate, wrong * math.exp(way * constants.error_of("mistake"))),
        ]
    log_odds, pace, mistake = (np.stack(part) for part in zip(*rows, strict=True))
    return log_odds, pace[:, None], mistake[:, None]


def _interval(presence: Floats) -> tuple[Floats, Floats]:
    """Central 90 % interval of presence, (m, s) each, from its variants, (7, m, s).

    What each of them changes adds up as independent errors do, on log-odds.
    """
    middle, *moved = logit(presence)
    change = np.stack(moved) - middle
    down, up = (np.sqrt((part**2).sum(axis=0)) for part in (np.minimum(change, 0), np.maximum(change, 0)))
    return inverse_logit(middle - down), inverse_logit(middle + up)


def _by_community(
    community: Community,
    looking: Looking,
    shares: Shares,
    km: Floats,
    usable: Bools,
    others: Sequence[Floats],
    rows: Ints,
) -> tuple[Floats, Floats, Floats]:
    """Log-odds of some waters by their other fishes, their error, and the slope of the share, (m, s) each."""
    counts = np.array([len(others[row]) for row in rows.tolist()])
    of = np.repeat(rows, counts)
    each = predictors(
        shares.share[of],
        km[of][:, community.rows],
        usable[of][:, community.rows],
        np.concatenate([others[row] for row in rows.tolist()]),
        looking,
        community,
    )
    x = np.add.reduceat(each, np.cumsum(counts) - counts, axis=0) / counts[:, None, None]
    value, error = community.log_odds(x)
    taught = community.taught
    start = logit(np.clip(shares.share[rows], EDGE, 1 - EDGE))
    return (
        np.where(taught, value, start),
        np.where(taught, error, 0.0),
        np.where(taught, community.coefficients[:, 1], 1.0),
    )


def statements_of(species: Sequence[str], rows: Sequence[tuple[str, bool, float]]) -> WaterEvents:
    """Statements about the water as events: each looked for its species alone.

    Parameters
    ----------
    rows : sequence of (species, present, year)
        A genus in place of a species stands for one of its species, nobody knows which.
    """
    meant = [[i for i, one in enumerate(species) if name in (one, one.split()[0])] for name, _, _ in rows]
    rows, meant = [row for row, of in zip(rows, meant, strict=True) if of], [of for of in meant if of]
    found, looked = np.zeros((len(rows), len(species))), np.zeros((len(rows), len(species)))
    for i, (of, (_, present, _)) in enumerate(zip(meant, rows, strict=True)):
        found[i, of], looked[i, of] = float(present) if len(of) == 1 else np.nan, 1.0
    return WaterEvents(
        year=np.array([year for _, _, year in rows], dtype=float),
        here=np.ones(len(rows)),
        found=found,
        completeness=looked,
        event=-1 - np.arange(len(rows), dtype=np.int64),
    )
