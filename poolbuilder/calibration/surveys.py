"""Surveys and records ──► surveyed waters, and the ground that evidence comes from."""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from poolbuilder import tables
from poolbuilder.errors import CalibrationError
from poolbuilder.model.calibrate import Waters
from poolbuilder.model.community import Ground, lay_ground
from poolbuilder.model.effort import list_completeness, pair_km, place_completeness
from poolbuilder.model.evidence import event_keys
from poolbuilder.model.hazard import Ranges, Sightings
from poolbuilder.model.lists import Lists, Places, lists_from
from poolbuilder.names.checklist import Checklist
from poolbuilder.names.reader import name_records
from poolbuilder.places.geodesy import to_ecef
from poolbuilder.places.sites import Site
from poolbuilder.records.judged import BASES, Judged
from poolbuilder.records.reading import read_all
from poolbuilder.records.rules import screen
from poolbuilder.settings import Settings
from poolbuilder.status.polygons import RangeMap, status_at

__all__ = ["Surveys", "read_surveys"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

WATER_DEGREES = 1e-5
"""Surveys within this cell, about a metre, are of one water."""

ROWS = 256


@dataclass(frozen=True, kw_only=True, eq=False)
class Surveys:
    """What calibration works on.

    Attributes
    ----------
    waters : Waters
    ground : Ground
    lists : Lists
        The surveys, event by event.
    kinds : tuple of str
        Sampling protocol of each water, or ``not said``.
    hybrid : (n,) bool array
        Where a hybrid of a candidate was caught.
    sightings : Sightings
        Records of the species at the places of the ground.
    ranges : Ranges
        Range class of each water and species.
    apart : bool
        Whether the records are other than the surveys.
    notes : tuple of str
    sources : tuple of dict
        Path, hash and rows of every file.
    """

    waters: Waters
    ground: Ground
    lists: Lists
    kinds: tuple[str, ...]
    hybrid: Bools
    sightings: Sightings
    ranges: Ranges
    apart: bool
    notes: tuple[str, ...]
    sources: tuple[dict[str, Any], ...]


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
        raise CalibrationError(
            f"{paths[0]}: no survey has usable coordinates "
            "(give decimalLongitude and decimalLatitude, or --map your columns to them)"
        )
    settled, words = _one_name_each(table)
    return settled, sources, (*notes, *words)


def _one_name_each(table: pa.Table) -> tuple[pa.Table, list[str]]:
    """Read each candidate's name as one species, so that no fish is scored twice."""
    roles = tables.strings(table["role"])
    accepted = table["acceptedNames"].to_pylist()
    unclear = {
        (name, tuple(names))
        for name, names, role in zip(tables.strings(table["scientificName"]), accepted, roles, strict=True)
        if role == "candidate" and len(names) > 1
    }
    single = [
        names[:1] if role == "candidate" else names for names, role in zip(accepted, roles, strict=True)
    ]
    place = table.schema.get_field_index("acceptedNames")
    field = table.schema.field(place)
    words = [
        f"{name} may mean {' or '.join(names)}; scored as {names[0]}"
        for name, names in sorted(unclear, key=str)
    ]
    return table.set_column(place, field, tables.array(single, field.type)), words


def _scored_species(places: Places, lists: Lists) -> tuple[tuple[str, ...], list[str]]:
    """Species that were found at some waters and not at others, and words for the rest."""
    share = places.found.mean(axis=0)
    scored = tuple(name for name, one in zip(places.species, share, strict=True) if 0 < one < 1)
    everywhere = [name for name, one in zip(places.species, share, strict=True) if one >= 1]
    notes = []
    if everywhere:
        notes.append(f"found at every water, so nothing can be learnt of it: {', '.join(everywhere)}")
    if not scored:
        raise CalibrationError(
            f"surveys: no species of the checklist was found at some of the {len(places):,} waters and "
            "missed at others (calibration needs presences and absences: give surveys with near-complete "
            "lists of all fishes)"
        )
    return scored, notes


def _moved(table: pa.Table, settings: Settings) -> list[str]:
    """Events that stand at two places far apart: most likely one name for two sites."""
    keys, _ = event_keys(table, settings=settings)
    longitude, latitude = tables.numbers(table["longitude"]), tables.numbers(table["latitude"])
    code, distinct = tables.codes(tables.array(keys, pa.string()))
    wide = np.zeros(len(distinct))
    for value in (longitude, latitude):
        low, high = np.full(len(distinct), np.inf), np.full(len(distinct), -np.inf)
        np.minimum.at(low, code, value)
        np.maximum.at(high, code, value)
        wide = np.maximum(wide, high - low)
    count = int((wide > settings.event_cell_degrees).sum())
    if not count:
        return []
    return [f"{count:,} surveys stand at two places or more under one name; taken at the best placed record"]


def _per_place(
    table: pa.Table, lists: Lists, places: Places, settings: Settings
) -> tuple[tuple[str, ...], Bools]:
    """Sampling protocol of each place, and whether a hybrid was caught there."""
    keys, _ = event_keys(table, settings=settings)
    row = {key: i for i, key in enumerate(lists.keys)}
    kinds: list[set[str]] = [set() for _ in range(len(places))]
    hybrid = np.zeros(len(places), dtype=bool)
    for key, protocol, role in zip(
        keys, tables.strings(table["samplingProtocol"]), tables.strings(table["role"]), strict=True
    ):
        if key not in row:
            continue
        place = int(places.place[row[key]])
        if protocol and protocol.strip():
            kinds[place].add(protocol.strip().lower())
        hybrid[place] |= role == "hybrid"
    told = tuple(" and ".join(sorted(kind)) if kind else "not said" for kind in kinds)
    return told, hybrid


def _sightings(
    table: pa.Table, lists: Lists, places: Places, settings: Settings, as_of: datetime.date
) -> Sightings:
    """The records that say what lives at each place, as far as they differ in what is fitted."""
    keys, _ = event_keys(table, settings=settings)
    row = {key: i for i, key in enumerate(lists.keys)}
    column = {name: i for i, name in enumerate(places.species)}
    basis = Judged(table=table, settings=settings, as_of=as_of).basis_code
    by_basis = np.array([max(getattr(settings, name), 1e-9) for name in BASES])
    certainty = np.minimum(tables.numbers(table["quality"]) / by_basis[basis], 1.0).round(3)
    age = tables.numbers(table["ageYears"]).round(1)
    kept = ~tables.valid(table["rejectedBy"])
    named = zip(keys, table["acceptedNames"].to_pylist(), tables.strings(table["role"]), strict=True)
    told = sorted(
        {
            (
                int(places.place[row[key]]),
                column[names[0]],
                -1.0 if np.isnan(age[i]) else float(age[i]),
                int(basis[i]),
                float(certainty[i]),
            )
            for i, (key, names, role) in enumerate(named)
            if kept[i] and role == "candidate" and len(names) == 1 and names[0] in column and key in row
        }
    )
    values = np.array(told, dtype=float).reshape(-1, 5)
    return Sightings(
        place=values[:, 0].astype(np.int64),
        species=values[:, 1].astype(np.int64),
        age_years=np.where(values[:, 2] < 0, np.nan, values[:, 2]),
        basis=values[:, 3].astype(np.int64),
        certainty=values[:, 4],
        places=len(places),
        kinds=len(places.species),
    )


def _ranges(ranges: RangeMap | None, waters: Places, species: Sequence[str]) -> Ranges:
    """Range class of each water and species."""
    if ranges is None:
        return Ranges.unmapped(len(waters), len(species))
    classes: list[list[str]] = []
    km = np.full((len(waters), len(species)), np.inf)
    for i, (longitude, latitude) in enumerate(
        zip(waters.longitude.tolist(), waters.latitude.tolist(), strict=True)
    ):
        status = status_at(ranges, Site(longitude=longitude, latitude=latitude), species)
        classes.append([str(name) for name in tables.strings(status["rangeClass"])])
        km[i] = np.nan_to_num(tables.numbers(status["rangeKm"]), nan=np.inf)
    keys = tuple(sorted({name for row in classes for name in row}))
    code = np.array([[keys.index(name) for name in row] for row in classes], dtype=np.int64)
    return Ranges(keys=keys, code=code, km=km)


def _distance_to(points: Floats, others: Floats) -> Floats:
    """Distance in km of each point to the nearest of the others."""
    out = np.empty(len(points))
    for start in range(0, len(points), ROWS):
        out[start : start + ROWS] = pair_km(points[start : start + ROWS], others).min(axis=1)
    return out


def _reachable(lists: Lists, waters: Places, settings: Settings) -> tuple[Lists, list[str]]:
    """The lists within the region of the waters, the nearest places first where there are too many."""
    away = _distance_to(to_ecef(lists.longitude, lists.latitude), to_ecef(waters.longitude, waters.latitude))
    near = lists.where(away <= settings.region_km)
    cells = near.places(settings=settings)
    most = int(settings.region_max_places)
    if len(cells) <= most:
        return near, []
    order = np.argsort(
        _distance_to(to_ecef(cells.longitude, cells.latitude), to_ecef(waters.longitude, waters.latitude)),
        kind="stable",
    )
    kept = np.zeros(len(cells), dtype=bool)
    kept[order[:most]] = True
    note = f"records of {len(cells):,} places are near; the {most:,} nearest to the surveys were used"
    return near.where(kept[cells.place]), [note]


def _ground(lists: Lists, species: Sequence[str], settings: Settings) -> Ground:
    places = lists.places(settings=settings, species=species)
    known = list_completeness(lists, settings=settings)
    return lay_ground(places, place_completeness(known, places.visits), settings=settings)


def _aligned(lists: Lists, places: Places, ground: Ground) -> Floats:
    """Other fishes of places in the columns of the ground."""
    column = {name: i for i, name in enumerate(ground.places.other_names)}
    out = np.zeros((len(places), len(column)))
    for i, name in enumerate(places.other_names):
        if name in column:
            out[:, column[name]] = places.others[:, i]
    return out


def _as_recorded(surveys: Lists, waters: Places, records: Lists, ground: Ground) -> Floats:
    """Other fishes of each water as far as the records name them for its surveys."""
    place = {key: int(waters.place[i]) for i, key in enumerate(surveys.keys)}
    column = {name: i for i, name in enumerate(ground.places.other_names)}
    out = np.zeros((len(waters), len(column)))
    for event, name in zip(records.event.tolist(), records.name.tolist(), strict=True):
        key, said = records.keys[event], records.names[name]
        if key in place and said in column:
            out[place[key], column[said]] = 1
    return out


def _listed(surveys: Lists, waters: Places, keys: set[str]) -> Bools:
    """Which waters have a survey among the records."""
    out = np.zeros(len(waters), dtype=bool)
    for i, key in enumerate(surveys.keys):
        out[waters.place[i]] |= key in keys
    return out


def read_surveys(
    events: Sequence[Path],
    records: Sequence[Path],
    *,
    checklist: Checklist,
    as_of: datetime.date,
    settings: Settings,
    renames: Mapping[str, str] | None = None,
    ranges: RangeMap | None = None,
) -> Surveys:
    """Read surveys, and the records that evidence is taken from.

    Parameters
    ----------
    events : sequence of Path
        Darwin Core files of surveys: lists that are near enough complete for a species that
        is not on them to count as absent.
    records : sequence of Path
        Darwin Core files to predict the surveys from; empty to predict each survey from the
        other ones.
    ranges : RangeMap, optional
        Says which range class each water lies in for each species.

    Raises
    ------
    CalibrationError
        Without coordinates, without lists of other fishes, without a species that was found
        at some waters and missed at others, or with more waters than ``regionMaxPlaces``.
    """
    table, sources, notes = _screened(events, checklist, renames, as_of, settings)
    lists = lists_from(table, settings=settings)
    if len(lists) == 0:
        raise CalibrationError(
            f"{events[0]}: no list of other fishes than the checklist's (surveys must name everything that "
            "was caught, else silence about a species means nothing)"
        )
    fine = settings.replace(list_place_degrees=WATER_DEGREES)
    scored, said = _scored_species(lists.places(settings=fine), lists)
    places = lists.places(settings=fine, species=scored)
    if len(places) > settings.region_max_places:
        raise CalibrationError(
            f"surveys: {len(places):,} waters, more than {settings.region_max_places:,.0f} at once (choose a "
            "region or a random part of them, or raise regionMaxPlaces and wait)"
        )
    extra = [*notes, *said, *_moved(table, settings)]
    apart = bool(records) and set(map(Path, records)) != set(map(Path, events))
    source_table, source_lists = table, lists
    if apart:
        source_table, more, _ = _screened(records, checklist, renames, as_of, settings)
        sources = (*sources, *more)
        source_lists = lists_from(source_table, settings=settings)
        if len(source_lists) == 0:
            raise CalibrationError(
                f"{records[0]}: no list of other fishes than the checklist's (records must hold the wider "
                "group, so that effort is known)"
            )
    near, words = _reachable(source_lists, places, settings)
    if len(near) == 0:
        raise CalibrationError(
            f"{records[0] if records else events[0]}: no record within {settings.region_km:g} km of a survey"
        )
    ground = _ground(near, scored, settings)
    known = set(source_lists.keys)
    shared = apart and any(key in known for key in lists.keys)
    others = _as_recorded(lists, places, source_lists, ground) if shared else _aligned(lists, places, ground)
    if apart:
        words.append(
            "other fishes of a water: as the records name them for its surveys"
            if shared
            else "other fishes of a water: those of its own surveys, which are not among the records"
        )
    kinds, hybrid = _per_place(table, lists, places, settings)
    return Surveys(
        waters=Waters(
            longitude=places.longitude,
            latitude=places.latitude,
            found=places.found,
            others=others,
            listed=_listed(lists, places, known) if shared else np.ones(len(places), dtype=bool),
            species=scored,
        ),
        ground=ground,
        lists=lists,
        kinds=kinds,
        hybrid=hybrid,
        sightings=_sightings(source_table, near, ground.places, settings, as_of),
        ranges=_ranges(ranges, places, scored),
        apart=apart,
        notes=(*extra, *words),
        sources=(*sources, *(ranges.sources if ranges is not None else ())),
    )
