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
from poolbuilder.model.fish_community import Community, learn_community, predictors
from poolbuilder.model.logistic import inverse_logit, logit, pair_km
from poolbuilder.model.looking import Looking, plain_name
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
PARTS = ("status", "wide", "near", "waterType", "community")
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
    shares : Shares
        Of the surroundings, (1, s) each.
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
    shares: Shares
    own: Bools
    away_km: Floats
    community: bool


def chance_here(
    points: Floats,
    uncertainty_m: Floats,
    waters: NDArray[np.object_],
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
    water (*waters*, by their plain names), counts as placed in it.  One function for finds and for
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
        same = (away <= NAMED_KM) & (waters == called)
        here = np.where(same, np.maximum(here, NAMED_HERE), here)
    return here


def _events_here(looking: Looking, water: WaterSeen, settings: Settings) -> WaterEvents:
    """Sampling events that may be of the water, and statements about it."""
    events = looking.events
    rows = np.flatnonzero(water.here > 0.01)
    found = np.maximum(events.found[rows], settings.hybrid_parent_weight * events.hybrid[rows])
    scope = events.scope[rows] | (found > 0)
    year = np.where(np.isnan(events.year[rows]), water.now - settings.undated_age_years, events.year[rows])
    told = water.statements
    usual = max(float(events.names.mean()), 1.0) if len(events) else 1.0
    single = np.where(events.names[rows] < SURVEY_NAMES, 1 / usual, 1.0)
    missed = 1 - np.minimum(events.completeness[rows], single)[:, None] * scope
    # Passes of one day at one site miss the same fish: one occasion, which names what any of them named.
    order = np.lexsort((-found.sum(axis=1), events.occasion[rows]))
    first = np.flatnonzero(np.diff(events.occasion[rows][order], prepend=-1))

    def joined(values: Floats, how: np.ufunc) -> Floats:
        out: Floats = how.reduceat(values[order], first, axis=0) if len(rows) else values
        return out

    lead = order[first]
    return WaterEvents(
        year=np.minimum(np.concatenate([year[lead], told.year]), water.now),
        here=np.concatenate([joined(water.here[rows], np.maximum), told.here]),
        found=np.concatenate([joined(found, np.maximum), told.found]),
        completeness=np.concatenate([1 - joined(missed, np.multiply), told.completeness]),
        event=np.concatenate([rows[lead], told.event]),
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class Expected:
    """What is to be expected of a water before anything was seen of the candidates in it, (s,) each.

    Attributes
    ----------
    log_odds, error : (s,) array
    parts : mapping
        The steps that lead to *log_odds*.
    shares : Shares
        Of the surroundings, (1, s) each.
    km : (n,) array
        Distance of each site.
    community : bool
        Whether the other fishes of the water are known.
    """

    log_odds: Floats
    error: Floats
    parts: dict[str, Floats]
    shares: Shares
    km: Floats
    community: bool


def expect(
    region: Region,
    water: WaterSeen,
    *,
    own: Bools,
    others: Floats,
    constants: Constants,
) -> Expected:
    """What the surroundings and the fish community of a water let expect.

    Parameters
    ----------
    own : (n,) bool array
        Sites of the region that are of this water; they do not speak.
    others : (m, k) array
        Other fishes at each of the water's own sites, in the columns of the region; (0, k) where unknown.
    """
    looking = region.looking
    point = to_ecef(np.array([water.longitude]), np.array([water.latitude]))
    km = pair_km(point, looking.points) if water.away_km is None else water.away_km[None, :]
    usable = ~own[None, :]

    def around(kind: int) -> Shares:
        return nested_shares(
            km, usable, looking, water.prior, kind=kind, constants=constants, smoothing=region.smoothing
        )

    plain = around(0)
    typed = around(water.kind) if water.kind else plain
    straight, start, wide = (
        logit(np.clip(one[0], EDGE, 1 - EDGE)) for one in (plain.share, typed.share, plain.wide)
    )
    error = np.sqrt(np.minimum(typed.variance[0], MOST_VARIANCE))
    value, known = start, False
    if region.community is not None and len(others):
        # Learnt on all sites, whatever their type: what it changes there, it changes here.
        taught, more, slope = _by_community(region.community, looking, plain, km, usable, others)
        value = start + taught - straight
        there = inverse_logit(value)
        variance = (more**2 + (slope * error) ** 2) * (there * (1 - there)) ** 2
        there, variance = some_unlike(np.clip(there, EDGE, 1 - EDGE), water.prior, variance)
        known, value = True, logit(there)
        error = np.sqrt(np.minimum(variance / (there * (1 - there)) ** 2, MOST_VARIANCE))
    prior = logit(water.prior)
    parts = {
        "status": prior,
        "wide": wide - prior,
        "near": straight - wide,
        "waterType": start - straight,
        "community": value - start,
    }
    return Expected(log_odds=value, error=error, parts=parts, shares=typed, km=km[0], community=known)


def weigh(region: Region, water: WaterSeen, *, constants: Constants, settings: Settings) -> Weighed:
    """Weigh every candidate of one water.

    Returns
    -------
    Weighed
        A pure function of its arguments.
    """
    looking = region.looking
    own = np.zeros(len(looking), dtype=bool)
    own[looking.events.site[water.here >= LIKELY_HERE]] = True
    expected = expect(
        region, water, own=own, others=looking.others[own & looking.listed], constants=constants
    )
    events = _events_here(looking, water, settings)
    before = inverse_logit(expected.log_odds)
    rate = np.array([constants.turnover_of(name) for name in looking.species])
    faster = np.array([constants.error_of("turnover", name) for name in looking.species])
    if (open_ := np.isnan(events.found)).any():
        certain = replace(
            events, found=np.nan_to_num(events.found), completeness=np.where(open_, 0.0, events.completeness)
        )
        known = remember(before, certain, rate=rate, now=water.now, constants=constants).presence
        events = replace(events, found=_shared(events.found, known))
    memory = remember(before, events, rate=rate, now=water.now, constants=constants)
    low, high = _interval(expected, memory.presence, events, rate, faster, water.now, constants)
    return Weighed(
        presence=memory.presence,
        low=low,
        high=high,
        before=before,
        parts=expected.parts,
        memory=memory,
        settling=settling(memory.state, before, constants),
        shares=expected.shares,
        own=own,
        away_km=expected.km,
        community=expected.community,
    )


def _shared(found: Floats, known: Floats) -> Floats:
    """Finds that name a genus only (NaN for each of its species), shared out by what else is known.

    At least one of them lives there: taking a share ``s`` of the find for one species, ``s + (1 - s) p`` is
    its chance ``p`` among the cases with any.
    """
    open_ = np.isnan(found)
    p = np.where(open_, np.clip(known, EDGE, 1 - EDGE), 0.0)
    several = 1 - np.prod(1 - p, axis=1, keepdims=True)
    return np.where(open_, p * (1 / np.maximum(several, EDGE) - 1) / (1 - p), found)


def _interval(
    expected: Expected,
    presence: Floats,
    events: WaterEvents,
    rate: Floats,
    faster: Floats,
    now: float,
    constants: Constants,
) -> tuple[Floats, Floats]:
    """Central 90 % interval of presence, (s,) each.

    What is to be expected, how fast a water turns over and how often a list is mistaken are each moved by
    1.64 standard errors; what that changes adds up as independent errors do, on log-odds.
    """
    rows, middle = [], logit(presence)
    usual = np.full(len(presence), constants.mistake)
    for way in (-Z90, Z90):
        wrong = constants.mistake * math.exp(way * constants.error_of("mistake"))
        rows += [
            (expected.log_odds + way * expected.error, rate, usual),
            (expected.log_odds, rate * np.exp(way * faster), usual),
            (expected.log_odds, rate, np.full(len(presence), wrong)),
        ]
    rows = rows if len(events) else rows[::3]
    log_odds, pace, mistake = (np.concatenate(part) for part in zip(*rows, strict=True))
    repeated = replace(
        events,
        found=np.tile(events.found, (1, len(rows))),
        completeness=np.tile(events.completeness, (1, len(rows))),
    )
    moved = remember(
        inverse_logit(log_odds), repeated, rate=pace, now=now, constants=constants, mistake=mistake
    )
    change = logit(moved.presence.reshape(len(rows), -1)) - middle
    down, up = (np.sqrt((part**2).sum(axis=0)) for part in (np.minimum(change, 0), np.maximum(change, 0)))
    return inverse_logit(middle - down), inverse_logit(middle + up)


def _by_community(
    community: Community, looking: Looking, shares: Shares, km: Floats, usable: Bools, others: Floats
) -> tuple[Floats, Floats, Floats]:
    """Log-odds by the other fishes of the water, their error, and the slope of the share."""
    x = predictors(
        np.repeat(shares.share, len(others), axis=0),
        np.repeat(km[:, community.rows], len(others), axis=0),
        np.repeat(usable[:, community.rows], len(others), axis=0),
        others,
        looking,
        community,
    ).mean(axis=0, keepdims=True)
    value, error = community.log_odds(x)
    taught = community.taught
    start = logit(np.clip(shares.share[0], EDGE, 1 - EDGE))
    return (
        np.where(taught, value[0], start),
        np.where(taught, error[0], 0.0),
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
