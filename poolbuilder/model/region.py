"""What the lists of a region say about each candidate in one of its waters.

The model is learnt where it is used, from the lists around the water, so that it works
anywhere without coefficients from elsewhere.  With too few lists, or none in the water, it
falls back step by step, and says which step it stands on: `community` (the other fishes of
the water are known), `effort` (only where people looked around it), `records` (neither:
range and records stand alone).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from poolbuilder.model.argument import Part, Regional
from poolbuilder.model.community import (
    COMMUNITY_SLOPES,
    EFFORT_SLOPES,
    GLIMPSE,
    Ground,
    Line,
    draw_line,
    gather,
    lay_ground,
    predictors,
)
from poolbuilder.model.effort import (
    Detectability,
    fit_detectability,
    list_completeness,
    pair_km,
    place_completeness,
    silence,
)
from poolbuilder.model.hybrid_waters import HybridWaters, learn_hybrid_waters
from poolbuilder.model.lists import Lists, Places
from poolbuilder.places.geodesy import to_ecef
from poolbuilder.settings import Settings

__all__ = ["STEPS", "Model", "Region", "fit_region"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]

STEPS = ("community", "effort", "records")
"""What regional evidence can stand on, best first; `records` is the noisy-OR or the leak."""

Z90 = 1.6448536269514722
"""Half-width of a central 90 % interval in standard deviations."""


@dataclass(frozen=True, eq=False)
class Model:
    """The ground of a region and its lines; *community* is None with too few places."""

    ground: Ground
    effort: Line
    community: Line | None
    hybrids_by_effort: HybridWaters | None
    hybrids_by_community: HybridWaters | None


@dataclass(frozen=True, kw_only=True, eq=False)
class Region:
    """What the lists of a region teach; fitted once, used for every water in it.

    Attributes
    ----------
    species : tuple of str
    places : Places
    completeness : float or None
        Estimated share of the fishes present that a list holds; None when it cannot be told.
    detectability : Detectability
    keys : tuple of str
        Event keys of the lists, in the order of ``places.place``.
    model : Model or None
        None when there are too few places to learn from.
    """

    species: tuple[str, ...]
    places: Places
    completeness: float | None
    detectability: Detectability
    keys: tuple[str, ...]
    model: Model | None

    @property
    def step(self) -> str:
        """The best step that the region allows."""
        if self.model is None:
            return "records"
        return "effort" if self.model.community is None else "community"

    @property
    def converged(self) -> bool:
        """Whether every fit came to rest."""
        if self.model is None:
            return True
        community = self.model.community
        return self.model.effort.converged and (community is None or community.converged)

    def predict(
        self,
        longitude: float,
        latitude: float,
        *,
        in_water: Lists | None,
        settings: Settings,
    ) -> Regional | None:
        """Regional evidence for one water.

        Parameters
        ----------
        longitude, latitude : float
            Of the water, WGS84.
        in_water : Lists or None
            Lists made in this very water.  Its other fishes speak for the community and its
            lists count for silence; its own records of candidates are never used here.
        settings : Settings
            Those that the region was fitted with.

        Returns
        -------
        Regional or None
            None when the region, or the surroundings of the water, have too few lists: then
            range and records stand alone.
        """
        told = None if in_water is None or len(in_water) == 0 else in_water
        if self.model is None:
            return None
        ground = self.model.ground
        point = to_ecef(np.array([longitude]), np.array([latitude]))
        usable = np.ones(len(self.places), dtype=bool)
        if told is not None:
            usable[self.rows_of(told)] = False
        reached = usable & (pair_km(point, ground.points)[0] <= settings.effort_reach_km)
        if reached.sum() < settings.effort_min_near:
            return None
        mine = None if told is None or self.model.community is None else self._names_of(told, settings)
        if mine is not None and ground.completeness < GLIMPSE:
            mine = mine[mine.sum(axis=1) > 0]  # a thin list of candidates alone tells of no community
            mine = mine if len(mine) else None
        line = self.model.effort if self.model.community is None or mine is None else self.model.community
        by_community = line is self.model.community
        hybrids = self.model.hybrids_by_community if by_community else self.model.hybrids_by_effort
        waters = 1 if mine is None else len(mine)
        x = predictors(
            np.repeat(point, waters, axis=0),
            mine,
            np.tile(usable, (waters, 1)),
            ground,
            settings=settings,
        ).mean(axis=0, keepdims=True)
        parts = line.parts(x)[0]
        half = Z90 * settings.calibration_slope * line.spread(x)[0]
        words = Words(self, line, reached, None if mine is None else mine.max(axis=0))
        missed = {} if told is None else silence(told, self.species, detectability=self.detectability)
        return Regional(
            step="effort" if mine is None else "community",
            parts={
                name: (*words.parts(j, parts[j]), *_calibrated(float(parts[j].sum()), settings))
                for j, name in enumerate(self.species)
            },
            silence=missed,
            low={name: -float(half[j]) for j, name in enumerate(self.species)},
            high={name: float(half[j]) for j, name in enumerate(self.species)},
            hybrid_waters=hybrids,
            notes=words.notes(told, hybrids),
        )

    def rows_of(self, lists: Lists) -> Ints:
        """Places of the region that hold a list of this water."""
        mine = set(lists.keys)
        rows = {int(self.places.place[i]) for i, key in enumerate(self.keys) if key in mine}
        return np.array(sorted(rows), dtype=np.int64)

    def _names_of(self, lists: Lists, settings: Settings) -> Floats:
        """Other fishes at each place of this water, in the columns of the region."""
        own = lists.places(settings=settings)
        column = {name: i for i, name in enumerate(self.places.other_names)}
        out = np.zeros((len(own), len(column)))
        for i, name in enumerate(own.other_names):
            if name in column:
                out[:, column[name]] = own.others[:, i]
        return out


def fit_region(lists: Lists, species: Sequence[str], *, settings: Settings) -> Region:
    """Learn effort and community from the lists of a region.

    Parameters
    ----------
    lists : Lists
        Of the target group, within ``regionKm`` or so of the waters it is meant for.
    species : sequence of str
        Candidates to predict.
    settings : Settings

    Returns
    -------
    Region
        Its `step` says how far the lists reach.  A pure function of its arguments; fit once
        and use it for every water of the region.
    """
    kept = _nearest(
        lists.where(np.nan_to_num(lists.uncertainty_m, nan=0.0) <= settings.list_max_uncertainty_m), settings
    )
    places = kept.places(settings=settings, species=tuple(species))
    known = list_completeness(kept, settings=settings) if len(kept) else None
    enough = len(places) >= settings.effort_min_places and len(species) > 0
    return Region(
        species=tuple(species),
        places=places,
        completeness=known,
        detectability=fit_detectability(kept, settings=settings),
        keys=kept.keys,
        model=_learn(places, place_completeness(known, places.visits), settings) if enough else None,
    )


def _nearest(lists: Lists, settings: Settings) -> Lists:
    """All lists, or those of the ``regionMaxPlaces`` places nearest to the middle of all."""
    places = lists.places(settings=settings)
    most = int(settings.region_max_places)
    if len(places) <= most:
        return lists
    points = to_ecef(places.longitude, places.latitude)
    away = ((points - np.median(points, axis=0)) ** 2).sum(axis=1)
    kept = np.zeros(len(places), dtype=bool)
    kept[np.argsort(away, kind="stable")[:most]] = True
    return lists.where(kept[places.place])


def _learn(places: Places, c: float, settings: Settings) -> Model:
    ground = lay_ground(places, c, settings=settings)
    rows = np.flatnonzero(ground.teaches)
    points, found = ground.points[rows], places.found[rows]
    beside = places.hybrid[rows]

    def hybrids(line: Line, x: Floats) -> HybridWaters | None:
        odds = line.log_odds(x[beside])
        return learn_hybrid_waters(odds, found[beside], places.species, found_share=c)

    enough = len(rows) >= settings.community_min_places
    x = gather(points, places.others[rows] if enough else None, ground, settings=settings)
    bare = x[:, :, : len(EFFORT_SLOPES)]
    effort = draw_line(bare, found, EFFORT_SLOPES, found_share=c)
    if not enough:
        return Model(ground, effort, None, hybrids(effort, bare), None)
    community = draw_line(x, found, COMMUNITY_SLOPES, found_share=c)
    return Model(ground, effort, community, hybrids(effort, bare), hybrids(community, x))


def _calibrated(value: float, settings: Settings) -> tuple[Part, ...]:
    """The step from the model's log-odds to calibrated ones, when surveys gave a line for it."""
    intercept, slope = settings.calibration_intercept, settings.calibration_slope
    if intercept == 0 and slope == 1:
        return ()
    moved = intercept + (slope - 1) * value
    return (Part("calibration", moved, f"calibration line of surveys: {intercept:g} + {slope:g} × log-odds"),)


class Words:
    """The parts of one water's prediction in plain words.

    Parameters
    ----------
    region, line
        What was learnt, and the line that the prediction stands on.
    reached : (n,) bool array
        Places within reach that may speak.
    mine : (k,) array or None
        Other fishes of the water.
    """

    def __init__(self, region: Region, line: Line, reached: Bools, mine: Floats | None) -> None:
        self.region = region
        self.mine = mine
        self.looked = int(reached.sum())
        found = region.places.found > 0
        self.near = found[reached].sum(axis=0)
        self.total = found.sum(axis=0)
        self.usual = float(np.median(region.places.others.sum(axis=1)))
        axes = region.model.ground.axes if region.model is not None else np.zeros((0, 0))
        shared = 1 + len(COMMUNITY_SLOPES)
        known = line.coefficients[:, shared : shared + axes.shape[1]]
        self.pull = axes @ known.T if mine is not None else axes

    def parts(self, species: int, values: Floats) -> tuple[Part, ...]:
        """Base, effort, number and composition of one species, from the parts of its line."""
        places = len(self.region.places)
        base = Part(
            "effort",
            float(values[0]),
            f"found at {self.total[species]:,} of {places:,} sampled places of the region: starting point",
        )
        looked = Part(
            "effort",
            float(values[1] + values[2]),
            f"found at {self.near[species]:,} of {self.looked:,} sampled places within reach, "
            "near ones counting most",
        )
        if self.mine is None:
            return base, looked
        count = Part("community", float(values[4] + values[5]), self._how_many())
        which = Part("community", float(values[3] + values[6:].sum()), self._which(species))
        return base, looked, count, which

    def _how_many(self) -> str:
        assert self.mine is not None
        number = int(self.mine.sum())
        noun = "other fish" if number == 1 else "other fishes"
        if number == self.usual:
            return f"{number:,} {noun} recorded here, as at the median place"
        much = "more" if number > self.usual else "fewer"
        return f"{number:,} {noun} recorded here, {much} than at the median place ({self.usual:g})"

    def _which(self, species: int) -> str:
        """The other fishes that move the log-odds most, by name."""
        assert self.mine is not None
        pull = self.pull[:, species]
        names = self.region.places.other_names
        here = np.flatnonzero(self.mine > 0)
        order = here[np.argsort(pull[here], kind="stable")]
        against = [names[i] for i in order[:3].tolist() if pull[i] < -0.05]
        speak = [names[i] for i in order[::-1][:3].tolist() if pull[i] > 0.05]
        said = "which other fishes are here, and how often it was found among such fishes"
        if speak:
            said += f"; for it: {', '.join(speak)}"
        if against:
            said += f"; against it: {', '.join(against)}"
        return said

    def notes(self, told: Lists | None, hybrids: HybridWaters | None) -> tuple[str, ...]:
        """What holds for the result as a whole."""
        region = self.region
        share = region.completeness
        known = "cannot be told, taken as complete" if share is None else f"about {share:.0%}"
        notes = [
            f"effort and community learnt from {len(region.keys):,} lists at {len(region.places):,} places "
            f"around the water; completeness of a list: {known}"
        ]
        if told is None:
            notes.append("no list of the wider group from this water: its community and silence are unknown")
        if hybrids is not None:
            notes.append(hybrids.summary())
        return tuple(notes)
