"""Fit the model's constants to surveys and score it on waters that it has not seen."""

from __future__ import annotations

import datetime
import json
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
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
from poolbuilder.model.fitting import fit_constants, fitted_table
from poolbuilder.model.logistic import inverse_logit, pair_km
from poolbuilder.model.looking import Looking, look
from poolbuilder.model.presence import Region, WaterSeen, expect, learn, statements_of
from poolbuilder.model.scores import BASELINES, baselines, blocks, clusters, folds_of
from poolbuilder.names.checklist import Checklist
from poolbuilder.names.reader import name_records
from poolbuilder.places.geodesy import to_ecef
from poolbuilder.places.sites import Site
from poolbuilder.records.reading import read_all
from poolbuilder.records.rules import screen
from poolbuilder.settings import Settings
from poolbuilder.surroundings import meanings_of
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
WAYS_KM = 80.0


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
    def points(self) -> Floats:
        """ECEF metres of the waters."""
        return to_ecef(self.longitude, self.latitude)

    @property
    def species(self) -> list[str]:
        """Names of the species that are scored."""
        return [self.checklist.species[j] for j in self.scored.tolist()]

    @property
    def y(self) -> Floats:
        """What was found of the species that are scored, (n, q)."""
        return self.found[:, self.scored]


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
    found, hybrid = np.zeros((n, s)), np.zeros(n)
    np.maximum.at(found, water, (looking.events.found > 0.25).astype(float))
    np.maximum.at(hybrid, water, looking.events.hybrid.max(axis=1))
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


def _folds(
    surveys: Surveys, label: Ints, keep: float, closed: bool, constants: Constants, settings: Settings
) -> list[Fold]:
    """Regions learnt without each fold and all within the gap of it; whole folds are silent when *closed*."""
    table = surveys.table
    if keep < 1:
        table = tables.where(table, np.random.default_rng(SEED).random(table.num_rows) < keep)
    looking = _look(table, surveys.checklist, constants, settings)
    prior = np.full(len(surveys.checklist.species), settings.prior_not_stated)
    folds = []
    for code in np.unique(label).tolist():
        rows = np.flatnonzero(label == code)
        near: Bools = pair_km(surveys.points[rows], looking.points) <= settings.effort_gap_km
        any_near: Bools = np.asarray(near.any(axis=0), dtype=bool)
        region = learn(looking, prior, constants=constants, settings=settings, left_out=any_near)
        folds.append(Fold(rows, region, near | any_near if closed else near))
    return folds if len(looking) else []


def _seen(
    surveys: Surveys, row: int, region: Region, settings: Settings, away: Floats | None = None
) -> WaterSeen:
    """A water as `build` sees it when nothing was recorded in it."""
    species = tuple(surveys.checklist.species)
    return WaterSeen(
        longitude=float(surveys.longitude[row]),
        latitude=float(surveys.latitude[row]),
        prior=np.full(len(species), settings.prior_not_stated),
        kind=int(surveys.kinds[row]),
        here=np.zeros(len(region.looking.events)),
        statements=statements_of(species, []),
        now=0.0,
        away_km=away,
    )


def predict(
    surveys: Surveys,
    folds: Sequence[Fold],
    *,
    community: bool,
    constants: Constants,
    settings: Settings,
    away: Callable[[Fold], Floats] | None = None,
) -> Floats:
    """Presence of each scored species at each water, from regions that never saw it, (n, q)."""
    out = np.full(surveys.y.shape, np.nan)
    for fold in folds:
        looking = fold.region.looking
        column = {name: i for i, name in enumerate(surveys.other_names)}
        take = [column.get(name, -1) for name in looking.other_names]
        padded = np.column_stack([surveys.others, np.zeros(len(surveys.others))])
        ways = None if away is None else away(fold)
        seen = [
            _seen(surveys, row, fold.region, settings, None if ways is None else ways[i])
            for i, row in enumerate(fold.rows.tolist())
        ]
        others = [padded[row : row + community, take] for row in fold.rows.tolist()]
        expected = expect(fold.region, seen, own=fold.silent, others=others, constants=constants)
        out[fold.rows] = inverse_logit(expected.log_odds)[:, surveys.scored]
    return out


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


def _interval(values: list[float]) -> list[float | None]:
    finite = np.array([value for value in values if math.isfinite(value)])
    if len(finite) < len(values) / 2 or not len(finite):
        return [None, None]
    return [_clean(float(q)) for q in np.quantile(finite, [0.05, 0.95])]


def _scored(p: Floats, y: Floats, weights: Floats) -> dict[str, Any]:
    """Scores of one method with 90 % intervals; *weights* are (draws, n) by water."""
    flat = {name: _clean(value) for name, value in scores.score(p.ravel(), y.ravel()).items()}
    kept = [
        scores.score(p.ravel(), y.ravel(), np.repeat(weight, y.shape[1]))
        for weight in weights
        if weight.sum() > 0
    ]
    return {**flat, "interval90": {name: _interval([one[name] for one in kept]) for name in scores.SCORES}}


def difference(p: Floats, other: Floats, y: Floats, weights: Floats) -> dict[str, Any]:
    """Brier and log loss of a method less those of another; below 0 the method is better."""
    out: dict[str, Any] = {}
    for name, kind in (("brier", scores.brier), ("logLoss", scores.log_loss)):

        def less(weight: Floats | None, kind: Callable[..., float] = kind) -> float:
            flat = None if weight is None else np.repeat(weight, y.shape[1])
            return kind(p.ravel(), y.ravel(), flat) - kind(other.ravel(), y.ravel(), flat)

        out[name] = _clean(less(None))
        out[f"{name}Interval90"] = _interval([less(weight) for weight in weights if weight.sum() > 0])
    return out


def _pairs_found(p: Floats, y: Floats, rows: Ints) -> float:
    """Share of the pairs caught together that stand among the first three, as far as three can hold them."""
    every = list(combinations(range(p.shape[1]), 2))
    hit = possible = 0
    for row in rows.tolist():
        value = np.array([p[row, a] * p[row, b] for a, b in every])
        caught = {i for i, (a, b) in enumerate(every) if y[row, a] > 0 and y[row, b] > 0}
        first = set(np.argsort(-value, kind="stable")[:FIRST_PAIRS].tolist())
        hit += len(first & caught)
        possible += min(FIRST_PAIRS, len(caught))
    return hit / possible if possible else math.nan


def _by_species(p: Floats, surveys: Surveys) -> dict[str, Any]:
    return {
        name: {
            "found": int(surveys.y[:, j].sum()),
            **{key: _clean(value) for key, value in scores.score(p[:, j], surveys.y[:, j]).items()},
        }
        for j, name in enumerate(surveys.species)
    }


def _card(
    surveys: Surveys, label: Ints, closed: bool, draws: int, constants: Constants, settings: Settings
) -> dict[str, Any] | None:
    """Everything that is said of one way of leaving waters out."""
    folds = _folds(surveys, label, 1.0, closed, constants, settings)
    if len(folds) < 2:
        return None
    y = surveys.y
    made = {
        "model": predict(surveys, folds, community=True, constants=constants, settings=settings),
        "withoutCommunity": predict(surveys, folds, community=False, constants=constants, settings=settings),
    }
    if np.isnan(made["model"]).any():
        return None
    plain = {name: np.zeros(y.shape) for name in BASELINES}
    for fold in folds:
        rest = np.setdiff1d(np.arange(len(y)), fold.rows)
        looking = fold.region.looking
        speak = ~fold.silent.all(axis=0)
        answers = baselines(
            surveys.points[fold.rows], surveys.points[rest], y[rest], looking.points[speak],
            (looking.found[speak][:, surveys.scored] >= 0.5).astype(float), gap_km=settings.effort_gap_km,
        )  # fmt: skip
        for name, values in answers.items():
            plain[name][fold.rows] = values
    waters = draws_of(np.arange(len(y)), draws)
    whole = draws_of(blocks(surveys.longitude, surveys.latitude, BLOCKS), draws)
    card: dict[str, Any] = {"sites": len(y), "folds": len(folds)}
    base = scores.brier(plain["prevalence"].ravel(), y.ravel())
    for name, p in made.items():
        card[name] = _scored(p, y, waters)
        card[name]["skill"] = _clean(1 - card[name]["brier"] / base) if base else None
        card[name]["reliability"] = [
            {key: _clean(value) for key, value in row.items()}
            for row in scores.reliability(p.ravel(), y.ravel())
        ]
    card["baselines"] = {name: _scored(p, y, waters) for name, p in plain.items()}
    card["differences"] = {
        name: {other: difference(p, plain[other], y, whole) for other in BASELINES}
        for name, p in made.items()
    }
    card["bySpecies"] = _by_species(made["model"], surveys)
    rows = np.flatnonzero(surveys.hybrid & (y.sum(axis=1) >= 2))
    card["crosses"] = {"waters": len(rows), "first": FIRST_PAIRS} | {
        name: _clean(_pairs_found(p, y, rows))
        for name, p in {
            **made,
            "recordShare": plain["recordShare"],
            "kernelShare": plain["kernelShare"],
        }.items()
    }
    return card


def _thinned(
    surveys: Surveys, label: Ints, draws: int, constants: Constants, settings: Settings
) -> dict[str, Any]:
    """Scores where only a share of the records is left, as a pool is built from them."""
    waters, out = draws_of(np.arange(len(surveys.y)), draws), {}
    for name, keep in THINNED.items():
        folds = _folds(surveys, label, keep, False, constants, settings)
        p = predict(surveys, folds, community=False, constants=constants, settings=settings)
        if not np.isnan(p).any():
            out[name] = {"keep": keep, **_scored(p, surveys.y, waters)}
    return out


def _ways(
    surveys: Surveys, folds: Sequence[Fold], layers: Layers, settings: Settings
) -> tuple[dict[int, Floats], dict[int, tuple[Ints, Placement]], int, tuple[str, ...]]:
    """By fold the straight distances, by survey what lies near it by water; surveys on the network; notes."""
    straights: dict[int, Floats] = {}
    ways: dict[int, tuple[Ints, Placement]] = {}
    notes: tuple[str, ...] = ()
    snapped = 0
    for fold in folds:
        looking = fold.region.looking
        straight = pair_km(surveys.points[fold.rows], looking.points)
        _, first = np.unique(looking.events.site, return_index=True)
        for k, row in enumerate(fold.rows.tolist()):
            place = Site(longitude=float(surveys.longitude[row]), latitude=float(surveys.latitude[row]))
            water = Water.at(place, settings=settings, **layers)
            near = np.flatnonzero(straight[k] <= WAYS_KM)
            longitude, latitude = (
                each[first[near]] for each in (looking.events.longitude, looking.events.latitude)
            )
            placed = water.place(longitude, latitude, np.full(len(near), PLACED_M))
            ways[row] = near, placed
            snapped += water.streams is not None and water.streams.routes is not None
            notes = notes or tuple(note for note in water.notes if note.startswith(("streams:", "basins:")))
        straights[id(fold)] = straight
    if not snapped:
        raise CalibrationError.of(
            "none_surveyed_waters",
            streams=layers["streams"],
            y=len(surveys.y),
            stream_snap_m=settings.stream_snap_m,
        )
    return straights, ways, snapped, notes


def _by_water(
    surveys: Surveys, label: Ints, layers: Layers, draws: int, constants: Constants, settings: Settings
) -> dict[str, Any]:
    """Shares by ways along the water beside those by straight distance, and the best divideFactor."""
    folds = _folds(surveys, label, 1.0, False, constants, settings)
    straights, ways, snapped, notes = _ways(surveys, folds, layers, settings)

    def by(factor: float) -> Floats:
        fixed = settings.replace(divide_factor=factor)

        def away(fold: Fold) -> Floats:
            km = straights[id(fold)].copy()
            for k, row in enumerate(fold.rows.tolist()):
                near, placed = ways[row]
                km[k, near] = effective_km(
                    km[k, near], placed.by_water_km, placed.passability, placed.divided, settings=fixed
                )
            return km

        return predict(surveys, folds, community=False, constants=constants, settings=settings, away=away)

    y = surveys.y
    made = {factor: by(factor) for factor in FACTORS}
    loss = {factor: scores.log_loss(p.ravel(), y.ravel()) for factor, p in made.items()}
    whole = draws_of(blocks(surveys.longitude, surveys.latitude, BLOCKS), draws)
    chosen = np.empty(y.shape)
    for fold in folds:  # each fold takes the factor that serves the other folds best
        rest = np.setdiff1d(np.arange(len(y)), fold.rows)
        best = min(FACTORS, key=lambda one: scores.log_loss(made[one][rest].ravel(), y[rest].ravel()))
        chosen[fold.rows] = made[best][fold.rows]
    straight_p = predict(surveys, folds, community=False, constants=constants, settings=settings)
    less = difference(straight_p, chosen, y, whole)
    kinds = {"brier": scores.brier, "logLoss": scores.log_loss, "auc": scores.auc}
    factor = min(FACTORS, key=lambda one: loss[one])
    return {
        "divideFactor": factor,
        "snapped": snapped,
        "unsnapped": len(y) - snapped,
        "straight": {key: round(kind(straight_p.ravel(), y.ravel()), 6) for key, kind in kinds.items()},
        "byWater": {key: round(kind(chosen.ravel(), y.ravel()), 6) for key, kind in kinds.items()},
        "gain": {name: [less[name], *less[f"{name}Interval90"]] for name in ("brier", "logLoss")},
        "helps": factor < 1 and min(less[f"{name}Interval90"][0] or 0 for name in ("brier", "logLoss")) > 0,
        "notes": list(notes),
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
    labels = {
        "leaveOneOut": folds_of(clusters(surveys.points, start.effort_gap_km), FOLDS),
        "blocks": blocks(surveys.longitude, surveys.latitude, BLOCKS),
    }
    cards: dict[str, Any] = {}
    for scheme, label in labels.items():
        card = _card(surveys, label, scheme == "blocks", draws, given, start)
        if card is not None:
            cards[scheme] = card
    enough = len(surveys.y) >= FEW_WATERS and "leaveOneOut" in cards
    if enough:
        cards["thinned"] = _thinned(surveys, labels["leaveOneOut"], draws, given, start)
    if layers is not None and enough:
        cards["byWater"] = _by_water(surveys, labels["leaveOneOut"], layers, draws, given, start)
    fitted = fit_constants([surveys.looking], given) if enough else {}
    kinds = {1: "still", 2: "running"}
    document = {
        "schemaVersion": SCHEMA_VERSION,
        "poolbuilderVersion": poolbuilder.__version__,
        "status": "calibrated" if enough else "uncalibrated",
        "sites": len(surveys.y),
        "species": {name: int(n) for name, n in zip(surveys.species, surveys.y.sum(axis=0), strict=True)},
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
