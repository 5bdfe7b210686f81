"""Fit the model's constants to surveys and score it on waters that it has not seen."""

from __future__ import annotations

import datetime
import json
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import combinations
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

import poolbuilder
from poolbuilder import pages, tables
from poolbuilder.errors import CalibrationError, said
from poolbuilder.folder import write_folder
from poolbuilder.model import scores
from poolbuilder.model.constants import Constants
from poolbuilder.model.detour import PLACED_M, effective_km
from poolbuilder.model.logistic import inverse_logit, pair_km
from poolbuilder.model.looking import Looking, look
from poolbuilder.model.presence import Region, WaterSeen, expect, learn, statements_of
from poolbuilder.model.scores import (
    BASELINES,
    baselines,
    blocks,
    clusters,
    fit_constants,
    fitted_table,
    folds_of,
)
from poolbuilder.names.checklist import Checklist
from poolbuilder.names.reader import name_records
from poolbuilder.places.geodesy import to_ecef
from poolbuilder.places.sites import Site
from poolbuilder.records.reading import read_all
from poolbuilder.records.rules import screen
from poolbuilder.settings import Settings
from poolbuilder.surroundings import WAYS_KM, meanings_of
from poolbuilder.water import Placement, Water
from poolbuilder.words import pool_words

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Layers = Mapping[str, str | None]

SCHEMA_VERSION = "2.0"
FEW_WATERS = 30
"""With fewer waters nothing is called calibrated."""
WATER_DEGREES = 1e-5
"""Surveys within this cell, about a metre, are of one water."""
FOLDS, BLOCKS, DRAWS, SEED = 10, 10, 200, 1
THINNED = {"fifth": 0.2, "twentieth": 0.05}
FIRST_PAIRS = 3
FACTORS = (1.0, 0.7, 0.5, 0.35, 0.25, 0.15, 0.1, 0.05)


@dataclass(frozen=True, kw_only=True, eq=False)
class Surveys:
    """Surveyed waters and the records that they are predicted from.

    Attributes
    ----------
    table : Table, schema SCREENED
        Of the records.
    water : (r,) int array
        Water that each record of *table* was made in; -1 for none.
    longitude, latitude : (n,) array
    found : (n, s) array
        1 where a survey found the species.
    others : (n, k) array
        1 where a survey found another fish, in the order of *other_names*.
    kinds : (n,) int array
        Type of water, as `Looking.water_type` has it.
    hybrid : (n,) bool array
    """

    table: pa.Table
    water: Ints
    longitude: Floats
    latitude: Floats
    found: Floats
    others: Floats
    other_names: tuple[str, ...]
    kinds: Ints
    hybrid: Bools
    checklist: Checklist
    scored: Ints
    looking: Looking
    notes: tuple[str, ...]
    sources: tuple[dict[str, Any], ...]

    @property
    def species(self) -> list[str]:
        """Names of the species that are scored."""
        return [self.checklist.species[j] for j in self.scored.tolist()]


@dataclass(frozen=True, kw_only=True)
class Calibration:
    """What surveys say: constants as fitted, the content of scores.json, and the surveys' name."""

    constants: str
    scores: Mapping[str, Any]
    surveys: str

    @property
    def status(self) -> str:
        """``calibrated``, or ``uncalibrated`` with too few waters."""
        return str(self.scores["status"])

    def pool_words(self) -> dict[str, Any]:
        """What a pool built with these constants says of them."""
        card = self.scores.get("leaveOneOut") if self.status == "calibrated" else None
        said: dict[str, Any] = {
            "title": f"{self.status} on {self.surveys}",
            "words": pool_words.calibration_scores(self.surveys, self.scores["sites"], card),
            "status": self.status,
            "surveys": self.surveys,
            "sites": self.scores["sites"],
            "species": len(self.scores["species"]),
            "waterTypes": self.scores["waterTypes"],
        }
        if card is None:
            return said
        model = card["model"]
        said |= {key: model[key] for key in ("brier", "logLoss", "auc", "ece", "slope", "intercept")}
        said["reliability"] = [
            {"predicted": row["meanPresence"], "observed": row["observedShare"], "surveys": int(row["count"])}
            for row in model["reliability"]
        ]
        return said


def _screened(
    paths: Sequence[Path],
    checklist: Checklist,
    renames: Mapping[str, str] | None,
    as_of: datetime.date,
    settings: Settings,
) -> tuple[pa.Table, tuple[dict[str, Any], ...], tuple[str, ...]]:
    records, sources, notes, _ = read_all(paths, rename=renames, settings=settings)
    table = screen(name_records(records, checklist, settings=settings), settings=settings, as_of=as_of)
    placed = tables.valid(table["longitude"]) & tables.valid(table["latitude"])
    table = tables.where(table, placed)
    if table.num_rows == 0:
        raise CalibrationError.of("no_survey_usable", paths=paths[0])
    return table, tuple(sources), tuple(notes)


def _look(table: pa.Table, checklist: Checklist, constants: Constants, settings: Settings) -> Looking:
    middle = (
        float(np.median(tables.numbers(table["longitude"]))),
        float(np.median(tables.numbers(table["latitude"]))),
    )
    return look(
        table,
        meanings_of(table, checklist),
        species=tuple(checklist.species),
        middle=middle,
        constants=constants,
        settings=settings,
    )


def _cells(longitude: Floats, latitude: Floats) -> tuple[Ints, Ints]:
    return (
        np.round(longitude / WATER_DEGREES).astype(np.int64),
        np.round(latitude / WATER_DEGREES).astype(np.int64),
    )


def read_surveys(
    events: Sequence[Path],
    records: Sequence[Path],
    *,
    checklist: Checklist,
    as_of: datetime.date,
    settings: Settings,
    constants: Constants,
    renames: Mapping[str, str] | None = None,
) -> Surveys:
    """Read surveys, and the records that they are predicted from (each other when *records* is empty).

    Raises
    ------
    CalibrationError
        Without coordinates, without lists of other fishes, or without a species that was found at some
        waters and missed at others.
    """
    table, sources, notes = _screened(events, checklist, renames, as_of, settings)
    looking = _look(table, checklist, constants, settings)
    if looking.only_candidates or not len(looking):
        raise CalibrationError.of("no_list_other", events=events[0])
    x, y = _cells(looking.events.longitude, looking.events.latitude)
    cell, water = np.unique(np.stack([x, y], axis=1), axis=0, return_inverse=True)
    water = np.asarray(water, dtype=np.int64).reshape(-1)
    n, s = len(cell), len(checklist.species)
    found = (looking.events.found.greatest_by(water, n) > 0.25).astype(float)
    hybrid = looking.events.hybrid.greatest_by(water, n).max(axis=1)
    event, name = looking.named // looking.width, looking.named % looking.width
    other = name >= s
    others = np.zeros((n, looking.width - s))
    others[water[event[other]], name[other] - s] = 1
    kinds = np.zeros(n, dtype=np.int64)
    np.maximum.at(kinds, water, looking.water_type[looking.events.site])
    share = found.mean(axis=0)
    scored = np.flatnonzero((share > 0) & (share < 1))
    if not len(scored):
        raise CalibrationError.of("surveys_no_species", n=n)
    apart = bool(records) and set(map(Path, records)) != set(map(Path, events))
    if apart:
        table, more, words = _screened(records, checklist, renames, as_of, settings)
        sources, notes = (*sources, *more), (*notes, *words)
    code = {tuple(pair): i for i, pair in enumerate(cell.tolist())}
    east, north = _cells(tables.numbers(table["longitude"]), tables.numbers(table["latitude"]))
    at = np.array([code.get((a, b), -1) for a, b in zip(east.tolist(), north.tolist(), strict=True)])
    return Surveys(
        table=table,
        water=np.asarray(at, dtype=np.int64),
        longitude=(cell[:, 0] * WATER_DEGREES).astype(np.float64),
        latitude=(cell[:, 1] * WATER_DEGREES).astype(np.float64),
        found=found,
        others=others,
        other_names=looking.other_names,
        kinds=kinds,
        hybrid=hybrid > 0,
        checklist=checklist,
        scored=scored,
        looking=looking,
        notes=notes,
        sources=sources,
    )


@dataclass(frozen=True, eq=False)
class Fold:
    """Waters that are asked about, the region learnt without them, and the sites silent for each."""

    rows: Ints
    region: Region
    silent: Bools


def draws_of(group: Ints, size: int) -> Floats:
    """Weights of each water in bootstrap samples of whole groups, (draws, n)."""
    rng = np.random.default_rng(SEED)
    names, code = np.unique(group, return_inverse=True)
    taken = rng.integers(0, len(names), size=(size, len(names)))
    counts = np.stack([np.bincount(row, minlength=len(names)) for row in taken])
    out: Floats = counts[:, code.reshape(-1)].astype(float)
    return out


def _clean(value: float) -> float | None:
    """A number for JSON, rounded to six decimals; None for what is not a number."""
    return round(float(value), 6) + 0.0 if math.isfinite(value) else None  # no -0.0


def _cleaned(values: Mapping[str, float]) -> dict[str, float | None]:
    return {name: _clean(value) for name, value in values.items()}


def _interval(values: list[float]) -> list[float | None]:
    finite = np.array([value for value in values if math.isfinite(value)])
    if len(finite) < len(values) / 2 or not len(finite):
        return [None, None]
    return [_clean(float(q)) for q in np.quantile(finite, [0.05, 0.95])]


@dataclass(frozen=True, eq=False)
class Trial:
    """The model asked about surveyed waters that it has not seen.

    Attributes
    ----------
    surveys : Surveys
    constants, settings : Constants, Settings
        What the model is run with.
    draws : int
        Bootstrap samples for the intervals.
    """

    surveys: Surveys
    constants: Constants
    settings: Settings
    draws: int

    @cached_property
    def y(self) -> Floats:
        """What was found of the species that are scored, (n, q)."""
        return self.surveys.found[:, self.surveys.scored]

    @cached_property
    def points(self) -> Floats:
        """ECEF metres of the waters."""
        return to_ecef(self.surveys.longitude, self.surveys.latitude)

    @cached_property
    def by_water(self) -> Floats:
        """Bootstrap weights, by water."""
        return draws_of(np.arange(len(self.y)), self.draws)

    @cached_property
    def blocks(self) -> Ints:
        """The block of the land that each water lies in."""
        return blocks(self.surveys.longitude, self.surveys.latitude, BLOCKS)

    def folds(self, label: Ints, *, keep: float = 1.0, closed: bool = False) -> list[Fold]:
        """Regions learnt without each fold and all near it; whole folds are silent when *closed*."""
        table, settings = self.surveys.table, self.settings
        if keep < 1:
            table = tables.where(table, np.random.default_rng(SEED).random(table.num_rows) < keep)
        looking = _look(table, self.surveys.checklist, self.constants, settings)
        prior = np.full(len(self.surveys.checklist.species), settings.prior_not_stated)
        folds = []
        for code in np.unique(label).tolist():
            rows = np.flatnonzero(label == code)
            near: Bools = pair_km(self.points[rows], looking.points) <= settings.effort_gap_km
            any_near: Bools = np.asarray(near.any(axis=0), dtype=bool)
            region = learn(looking, prior, constants=self.constants, settings=settings, left_out=any_near)
            folds.append(Fold(rows, region, near | any_near if closed else near))
        return folds if len(looking) else []

    def _seen(self, row: int, region: Region, away: Floats | None) -> WaterSeen:
        """A water as `build` sees it when nothing was recorded in it."""
        species = tuple(self.surveys.checklist.species)
        return WaterSeen(
            longitude=float(self.surveys.longitude[row]),
            latitude=float(self.surveys.latitude[row]),
            prior=np.full(len(species), self.settings.prior_not_stated),
            kind=int(self.surveys.kinds[row]),
            here=np.zeros(len(region.looking.events)),
            statements=statements_of(species, []),
            now=0.0,
            away_km=away,
        )

    def predict(
        self, folds: Sequence[Fold], *, community: bool, away: Callable[[Fold], Floats] | None = None
    ) -> Floats:
        """Presence of each scored species at each water, from regions that never saw it, (n, q)."""
        out = np.full(self.y.shape, np.nan)
        column = {name: i for i, name in enumerate(self.surveys.other_names)}
        padded = np.column_stack([self.surveys.others, np.zeros(len(self.y))])
        for fold in folds:
            take = [column.get(name, -1) for name in fold.region.looking.other_names]
            ways = [None] * len(fold.rows) if away is None else away(fold)
            rows = fold.rows.tolist()
            seen = [self._seen(row, fold.region, way) for row, way in zip(rows, ways, strict=True)]
            others = [padded[row : row + community, take] for row in rows]
            told = expect(fold.region, seen, own=fold.silent, others=others, constants=self.constants)
            out[fold.rows] = inverse_logit(told.log_odds)[:, self.surveys.scored]
        return out

    def scored(self, p: Floats) -> dict[str, Any]:
        """Scores of one method with 90 % intervals."""
        y = self.y
        drawn = [
            scores.score(p.ravel(), y.ravel(), np.repeat(weight, y.shape[1]))
            for weight in self.by_water
            if weight.sum() > 0
        ]
        intervals = {name: _interval([one[name] for one in drawn]) for name in scores.SCORES}
        return {**_cleaned(scores.score(p.ravel(), y.ravel())), "interval90": intervals}

    def difference(self, p: Floats, other: Floats) -> dict[str, Any]:
        """Brier and log loss of a method less those of another; below 0 the method is better."""
        y = self.y
        out: dict[str, Any] = {}
        weights = [
            np.repeat(weight, y.shape[1]) for weight in draws_of(self.blocks, self.draws) if weight.sum() > 0
        ]
        for name, kind in (("brier", scores.brier), ("logLoss", scores.log_loss)):
            less = [
                kind(p.ravel(), y.ravel(), weight) - kind(other.ravel(), y.ravel(), weight)
                for weight in (None, *weights)
            ]
            out |= {name: _clean(less[0]), f"{name}Interval90": _interval(less[1:])}
        return out

    def pairs_found(self, p: Floats, rows: Ints) -> float:
        """Share of the pairs caught together that are among the first three, as far as three hold them."""
        first, second = np.array(list(combinations(range(p.shape[1]), 2)), dtype=int).reshape(-1, 2).T
        hit = possible = 0
        for row in rows.tolist():
            leading = np.argsort(-p[row, first] * p[row, second], kind="stable")[:FIRST_PAIRS]
            caught = (self.y[row, first] > 0) & (self.y[row, second] > 0)
            hit += int(caught[leading].sum())
            possible += min(FIRST_PAIRS, int(caught.sum()))
        return hit / possible if possible else math.nan

    def _baselines(self, folds: Sequence[Fold]) -> dict[str, Floats]:
        """Presence by each plain method, from the same sites as the model."""
        plain = {name: np.zeros(self.y.shape) for name in BASELINES}
        for fold in folds:
            rest = np.setdiff1d(np.arange(len(self.y)), fold.rows)
            looking, speak = fold.region.looking, ~fold.silent.all(axis=0)
            answers = baselines(
                self.points[fold.rows], self.points[rest], self.y[rest], looking.points[speak],
                (looking.found[speak][:, self.surveys.scored] >= 0.5).astype(float),
                gap_km=self.settings.effort_gap_km,
            )  # fmt: skip
            for name, values in answers.items():
                plain[name][fold.rows] = values
        return plain

    def card(self, label: Ints, *, closed: bool) -> dict[str, Any] | None:
        """Everything that is said of one way of leaving waters out."""
        folds, y = self.folds(label, closed=closed), self.y
        if len(folds) < 2:
            return None
        made = {
            "model": self.predict(folds, community=True),
            "withoutCommunity": self.predict(folds, community=False),
        }
        if np.isnan(made["model"]).any():
            return None
        plain = self._baselines(folds)
        base = scores.brier(plain["prevalence"].ravel(), y.ravel())
        card: dict[str, Any] = {"sites": len(y), "folds": len(folds)}
        for name, p in made.items():
            card[name] = self.scored(p)
            card[name]["skill"] = _clean(1 - card[name]["brier"] / base) if base else None
            card[name]["reliability"] = [_cleaned(row) for row in scores.reliability(p.ravel(), y.ravel())]
        card["baselines"] = {name: self.scored(p) for name, p in plain.items()}
        card["differences"] = {
            name: {other: self.difference(p, plain[other]) for other in BASELINES} for name, p in made.items()
        }
        card["bySpecies"] = {
            name: {"found": int(y[:, j].sum()), **_cleaned(scores.score(made["model"][:, j], y[:, j]))}
            for j, name in enumerate(self.surveys.species)
        }
        rows = np.flatnonzero(self.surveys.hybrid & (y.sum(axis=1) >= 2))
        weighed = {**made, **{name: plain[name] for name in ("recordShare", "kernelShare")}}
        found = {name: self.pairs_found(p, rows) for name, p in weighed.items()}
        card["crosses"] = {"waters": len(rows), "first": FIRST_PAIRS, **_cleaned(found)}
        return card

    def thinned(self, label: Ints) -> dict[str, Any]:
        """Scores where only a share of the records is left, as a pool is built from them."""
        out = {}
        for name, keep in THINNED.items():
            p = self.predict(self.folds(label, keep=keep), community=False)
            if not np.isnan(p).any():
                out[name] = {"keep": keep, **self.scored(p)}
        return out

    def ways(self, fold: Fold, layers: Layers) -> tuple[Floats, list[tuple[Ints, Placement]], list[Water]]:
        """Straight distances from a fold's waters to all sites, what lies near each by water, the waters."""
        straight = pair_km(self.points[fold.rows], fold.region.looking.points)
        events = fold.region.looking.events
        _, first = np.unique(events.site, return_index=True)
        waters, placed = [], []
        for km, row in zip(straight, fold.rows.tolist(), strict=True):
            site = Site(
                longitude=float(self.surveys.longitude[row]), latitude=float(self.surveys.latitude[row])
            )
            waters.append(Water.at(site, settings=self.settings, **layers))
            near = np.flatnonzero(km <= WAYS_KM)
            longitude, latitude = events.longitude[first[near]], events.latitude[first[near]]
            placed.append((near, waters[-1].place(longitude, latitude, np.full(len(near), PLACED_M))))
        return straight, placed, waters

    def along_water(self, label: Ints, layers: Layers) -> dict[str, Any]:
        """Shares by ways along the water beside those by straight distance, and the best divideFactor."""
        folds, y = self.folds(label), self.y
        ways = {id(fold): self.ways(fold, layers) for fold in folds}
        waters = [water for _, _, some in ways.values() for water in some]
        snapped = sum(water.streams is not None and water.streams.routes is not None for water in waters)
        if not snapped:
            snap_m = self.settings.stream_snap_m
            raise CalibrationError.of(
                "none_surveyed_waters", streams=layers["streams"], y=len(y), stream_snap_m=snap_m
            )
        notes = (
            [note for note in water.notes if note.startswith(("streams:", "basins:"))] for water in waters
        )

        def by(factor: float) -> Floats:
            fixed = self.settings.replace(divide_factor=factor)

            def away(fold: Fold) -> Floats:
                straight, placed, _ = ways[id(fold)]
                km = straight.copy()
                for k, (near, at) in enumerate(placed):
                    km[k, near] = effective_km(
                        km[k, near], at.by_water_km, at.passability, at.divided, settings=fixed
                    )
                return km

            return self.predict(folds, community=False, away=away)

        made = {factor: by(factor) for factor in FACTORS}
        chosen = np.empty(y.shape)
        for fold in folds:  # each fold takes the factor that serves the other folds best
            rest = np.setdiff1d(np.arange(len(y)), fold.rows)
            best = min(FACTORS, key=lambda one: scores.log_loss(made[one][rest].ravel(), y[rest].ravel()))
            chosen[fold.rows] = made[best][fold.rows]
        straight_p = self.predict(folds, community=False)
        less = self.difference(straight_p, chosen)
        kinds = {"brier": scores.brier, "logLoss": scores.log_loss, "auc": scores.auc}
        factor = min(FACTORS, key=lambda one: scores.log_loss(made[one].ravel(), y.ravel()))
        helps = factor < 1 and min(less[f"{name}Interval90"][0] or 0 for name in ("brier", "logLoss")) > 0
        return {
            "divideFactor": factor,
            "snapped": snapped,
            "unsnapped": len(y) - snapped,
            "straight": {key: round(kind(straight_p.ravel(), y.ravel()), 6) for key, kind in kinds.items()},
            "byWater": {key: round(kind(chosen.ravel(), y.ravel()), 6) for key, kind in kinds.items()},
            "gain": {name: [less[name], *less[f"{name}Interval90"]] for name in ("brier", "logLoss")},
            "helps": helps,
            "notes": next(filter(None, notes), []),
        }


def calibrate(  # noqa: PLR0913 (each is an input of its own)
    events: Sequence[str | Path],
    records: Sequence[str | Path] = (),
    *,
    checklist: Checklist,
    as_of: datetime.date,
    settings: Settings | None = None,
    constants: Constants | None = None,
    renames: Mapping[str, str] | None = None,
    title: str = "",
    draws: int = DRAWS,
    layers: Layers | None = None,
) -> Calibration:
    """Fit the constants to surveys and score the model on waters that it has not seen.

    Parameters
    ----------
    events : sequence of path
        Darwin Core files of surveys whose lists are near enough complete.
    records : sequence of path
        Darwin Core files that the surveys are predicted from; each other when empty.
    checklist : Checklist
    as_of : date
        "Today".
    settings, constants : optional
        Those of the package by default; what is scored is the model with these.
    title : str
        What the surveys are called in the results; the first file's name by default.
    draws : int
        Bootstrap samples for the intervals.
    layers : mapping, optional
        ``streams``, and where they are known ``basins`` and ``barriers``, to layer (``FILE[:layer]``).  With
        them it is measured what distance by water gains over straight distance.

    Returns
    -------
    Calibration

    Raises
    ------
    CalibrationError, RecordFileError, LayerError
        When nothing can be scored, or a file cannot be read.
    """
    start, given = settings or Settings(), constants or Constants.shipped()
    files = [Path(path) for path in events]
    surveys = read_surveys(
        files, [Path(path) for path in records], checklist=checklist, as_of=as_of, settings=start,
        constants=given, renames=renames,
    )  # fmt: skip
    trial = Trial(surveys, given, start, draws)
    by_water = folds_of(clusters(trial.points, start.effort_gap_km), FOLDS)
    every = {
        "leaveOneOut": trial.card(by_water, closed=False),
        "blocks": trial.card(trial.blocks, closed=True),
    }
    cards = {scheme: card for scheme, card in every.items() if card is not None}
    enough = len(trial.y) >= FEW_WATERS and "leaveOneOut" in cards
    if enough:
        cards["thinned"] = trial.thinned(by_water)
    if layers is not None and enough:
        cards["byWater"] = trial.along_water(by_water, layers)
    fitted = fit_constants([surveys.looking], given) if enough else {}
    kinds = {1: "still", 2: "running"}
    document = {
        "schemaVersion": SCHEMA_VERSION,
        "poolbuilderVersion": poolbuilder.__version__,
        "status": "calibrated" if enough else "uncalibrated",
        "sites": len(trial.y),
        "species": {name: int(n) for name, n in zip(surveys.species, trial.y.sum(axis=0), strict=True)},
        "waterTypes": sorted({kinds.get(int(kind), "unknown") for kind in surveys.kinds}),
        "sources": list(surveys.sources),
        "gapKm": start.effort_gap_km,
        "completeness": round(surveys.looking.completeness, 4),
        "fitted": {name: value for (name, _), (value, _, _) in fitted.items()},
        "notes": list(surveys.notes),
        **cards,
    }
    name = title or files[0].stem
    return Calibration(constants=fitted_table(given, fitted, source=name), scores=document, surveys=name)


def write_calibration(calibration: Calibration, out: str | Path) -> Path:
    """Write constants.csv, settings.toml, scores.json and calibration.html to a folder, whole or not at all.

    Raises
    ------
    PoolFileError
        When *out* holds something else, or writing fails.
    """

    def fill(folder: Path) -> None:
        text = json.dumps(calibration.scores, ensure_ascii=False, indent=1, allow_nan=False)
        (folder / "scores.json").write_text(text + "\n", encoding="utf-8")
        (folder / "constants.csv").write_text(calibration.constants, encoding="utf-8")
        (folder / "settings.toml").write_text(_toml(calibration), encoding="utf-8")
        page = pages.fill(
            "calibration.html",
            styles=("calibration.css",),
            scores=calibration.scores,
            surveys=calibration.surveys,
        )
        (folder / "calibration.html").write_text(page, encoding="utf-8")

    return write_folder(out, fill, marker="scores.json")


def _toml(calibration: Calibration) -> str:
    """The settings file: the factor of ways by water where it helps, and what a pool says of the surveys."""
    told = calibration.pool_words()
    lines = [f"# {said('settings_header')}", "", "[settings]"]
    water = calibration.scores.get("byWater")
    if water is not None and water["helps"]:
        lines.append(f"divideFactor = {water['divideFactor']!r}")
    lines += ["", "[calibration]"]
    plain = {key: value for key, value in told.items() if key != "reliability" and value is not None}
    lines += [f"{key} = {json.dumps(value, ensure_ascii=False)}" for key, value in plain.items()]
    for row in told.get("reliability", ()):
        lines += [
            "",
            "[[calibration.reliability]]",
            *(f"{key} = {json.dumps(value)}" for key, value in row.items()),
        ]
    return "\n".join(lines) + "\n"
