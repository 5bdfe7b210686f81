"""Simulate surveys and records of a region whose truth is known: the same bytes for the same seed.

Waters lie on a drainage network; fishes live in them by the size of the stream, a gradient
across the region and gaps by drainage; surveyors catch nearly everything, casual collectors
go where it is easy, list little, and have some of their points obscured.  With --by-water
fishes have spread from water to water: along the streams (1), over land (0), or in part.  The
species are real, everything else is invented.  Run it from the project's folder, then calibrate::

    python demo/simulate.py --seed 1 --out simulated
    poolbuilder calibrate --events simulated/surveys.txt --out calibration
    poolbuilder calibrate --events simulated/surveys.txt --records simulated/records.txt --out calibration

    python demo/simulate.py --seed 1 --by-water 1 --out spread
    poolbuilder calibrate --events spread/surveys.txt --streams spread/streams.geojson --out calibration
"""

from __future__ import annotations

import argparse
import csv
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

WEST, SOUTH = -92.5, 35.5
EXTENT_KM = 160.0
KM_PER_DEGREE = 111.2
RIVER_KM = -10.0
"""The big river that every drainage runs to flows this far north of the south-west corner."""

SPREAD_KM = 30.0
SPREAD = 2.5
"""How far fishes have spread from water to water, and what that does to the log-odds."""

SUNFISHES = (
    "Lepomis auritus",
    "Lepomis cyanellus",
    "Lepomis gibbosus",
    "Lepomis gulosus",
    "Lepomis humilis",
    "Lepomis macrochirus",
    "Lepomis megalotis",
)
OTHERS = (
    "Ambloplites rupestris",
    "Ameiurus natalis",
    "Campostoma anomalum",
    "Catostomus commersonii",
    "Chrosomus erythrogaster",
    "Cottus carolinae",
    "Cyprinella spiloptera",
    "Cyprinus carpio",
    "Dorosoma cepedianum",
    "Esox americanus",
    "Etheostoma caeruleum",
    "Etheostoma flabellare",
    "Etheostoma nigrum",
    "Etheostoma spectabile",
    "Fundulus notatus",
    "Gambusia affinis",
    "Hypentelium nigricans",
    "Ictalurus punctatus",
    "Labidesthes sicculus",
    "Luxilus chrysocephalus",
    "Micropterus dolomieu",
    "Micropterus salmoides",
    "Moxostoma duquesnei",
    "Notemigonus crysoleucas",
    "Notropis boops",
    "Noturus exilis",
    "Percina caprodes",
    "Pimephales notatus",
    "Pomoxis nigromaculatus",
    "Semotilus atromaculatus",
)


@dataclass(frozen=True, kw_only=True)
class World:
    """A simulated region.

    Attributes
    ----------
    x, y : (n,) array
        Of the waters, km from the south-west corner.
    size : (n,) array
        ln(1 + waters upstream).
    basin : (n,) int array
        Number of the drainage.
    below : (n,) int array
        Water that each runs to; -1 for the big river.
    chance : (n, f) array
        True probability of each fish in each water.
    lives : (n, f) bool array
        Whether it lives there.
    names : tuple of str
        Fishes, sunfishes first.
    """

    x: Floats
    y: Floats
    size: Floats
    basin: Ints
    below: Ints
    chance: Floats
    lives: NDArray[np.bool_]
    names: tuple[str, ...]

    @property
    def longitude(self) -> Floats:
        """Degrees east."""
        return degrees(self.x, self.y)[0]

    @property
    def latitude(self) -> Floats:
        """Degrees north."""
        return degrees(self.x, self.y)[1]


def degrees(x: Floats, y: Floats) -> tuple[Floats, Floats]:
    """Longitude and latitude of places in km from the south-west corner."""
    latitude = SOUTH + y / KM_PER_DEGREE
    return WEST + x / (KM_PER_DEGREE * np.cos(np.radians(latitude))), latitude


def drain(x: Floats, y: Floats, height: Floats) -> tuple[Floats, Ints, Ints]:
    """Let every water run to the nearest lower one within 25 km; size, drainage and lower water of each."""
    n = len(x)
    below = np.full(n, -1, dtype=np.int64)
    for i in range(n):
        away = np.hypot(x - x[i], y - y[i])
        lower = np.flatnonzero((height < height[i]) & (away <= 25))
        if len(lower):
            below[i] = lower[away[lower].argmin()]
    upstream = np.zeros(n)
    for i in np.argsort(-height).tolist():
        if below[i] >= 0:
            upstream[below[i]] += 1 + upstream[i]
    mouth = np.arange(n)
    for i in np.argsort(height).tolist():
        if below[i] >= 0:
            mouth[i] = mouth[below[i]]
    return np.log1p(upstream), np.unique(mouth, return_inverse=True)[1].astype(np.int64), below


def reaches(x: Floats, y: Floats, below: Ints) -> tuple[Floats, Floats, Ints]:
    """The stream network: places, waters first, then those on the big river, and lines between them.

    Returns
    -------
    x, y : (n + r,) array
    lines : (k, 2) int array
        From the upper place to the lower one.
    """
    mouths = np.flatnonzero(below < 0)
    mouths = mouths[np.argsort(-x[mouths], kind="stable")]  # the river flows west
    river = len(x) + np.arange(len(mouths))
    lines = np.column_stack([np.arange(len(x)), below])
    lines[mouths, 1] = river
    lines = np.concatenate([lines, np.column_stack([river[:-1], river[1:]])])
    return np.concatenate([x, x[mouths]]), np.concatenate([y, np.full(len(mouths), RIVER_KM)]), lines


def way_km(x: Floats, y: Floats, below: Ints) -> Floats:
    """Distances between all waters along the network, (n, n)."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import dijkstra

    all_x, all_y, lines = reaches(x, y, below)
    upper, lower = lines.T
    length = np.hypot(all_x[upper] - all_x[lower], all_y[upper] - all_y[lower])
    graph = coo_array((length, (upper, lower)), shape=(len(all_x), len(all_x)))
    return dijkstra(graph, directed=False)[: len(x), : len(x)]


def spread(rng: np.random.Generator, away_km: Floats, count: int) -> Floats:
    """Fields that vary with mean 0, variance 1 and covariance exp(-d / 30 km), (n, count)."""
    covariance = np.exp(-away_km / SPREAD_KM) + 1e-6 * np.eye(len(away_km))
    return np.linalg.cholesky(covariance) @ rng.normal(size=(len(away_km), count))


def make_world(rng: np.random.Generator, waters: int, *, by_water: float | None = None) -> World:
    """Invent the waters of a region and who lives in them.

    Parameters
    ----------
    by_water : float, optional
        From 0 to 1: the share of the fishes' spread that went along the streams, the rest
        over land.  Without it there are gaps by drainage in its place.
    """
    x, y = rng.uniform(0, EXTENT_KM, size=(2, waters))
    height = y + 8 * rng.normal(size=waters)
    size, basin, below = drain(x, y, height)
    warm = (x - EXTENT_KM / 2) / EXTENT_KM + 0.25 * np.sin(y / 25)
    names = (*SUNFISHES, *OTHERS)
    chance = np.zeros((waters, len(names)))
    shift = None
    if by_water is not None:
        other = rng.spawn(1)[0]
        straight = np.hypot(x[:, None] - x, y[:, None] - y)
        swum, carried = (spread(other, away, len(names)) for away in (way_km(x, y, below), straight))
        shift = SPREAD * (np.sqrt(by_water) * swum + np.sqrt(1 - by_water) * carried)
    for j in range(len(names)):
        best, pull = rng.uniform(0, 3.5), rng.normal(0, 3)
        logit = rng.normal(0.6, 0.8) - 0.9 * (size - best) ** 2 + pull * warm
        gap = rng.random(basin.max() + 1) < 0.15
        if shift is None:
            chance[:, j] = np.where(gap[basin], 0.003, 1 / (1 + np.exp(-logit)))
        else:
            chance[:, j] = 1 / (1 + np.exp(-logit - shift[:, j]))
    return World(
        x=x, y=y, size=size, basin=basin, below=below,
        chance=chance, lives=rng.random(chance.shape) < chance, names=names,
    )  # fmt: skip


def survey(world: World, rng: np.random.Generator, *, caught: float = 0.95) -> list[dict[str, Any]]:
    """One survey of every water that catches each fish present with a high chance."""
    rows = []
    for i in range(len(world.x)):
        here = np.flatnonzero(world.lives[i] & (rng.random(len(world.names)) < caught))
        for name in [world.names[j] for j in here] or [""]:
            rows.append(
                {
                    "eventID": f"survey-{i:05d}",
                    "scientificName": name or "no fish",
                    "occurrenceStatus": "present" if name else "absent",
                    "decimalLatitude": f"{world.latitude[i]:.5f}",
                    "decimalLongitude": f"{world.longitude[i]:.5f}",
                    "coordinateUncertaintyInMeters": "30",
                    "eventDate": f"2015-{1 + i % 9:02d}-{1 + i % 28:02d}",
                    "samplingProtocol": "electrofishing",
                    "basisOfRecord": "HumanObservation",
                }
            )
    return rows


def collect(world: World, rng: np.random.Generator, *, visits: int) -> list[dict[str, Any]]:
    """Casual visits: near three towns, short lists of conspicuous fishes, some places obscured."""
    towns = rng.uniform(0, EXTENT_KM, size=(3, 2))
    nearest = np.min([np.hypot(world.x - town[0], world.y - town[1]) for town in towns], axis=0)
    appeal = np.exp(-nearest / 30) + 0.02
    noticed = rng.uniform(0.05, 0.5, size=len(world.names))
    rows = []
    for visit in range(visits):
        i = int(rng.choice(len(world.x), p=appeal / appeal.sum()))
        here = np.flatnonzero(world.lives[i] & (rng.random(len(world.names)) < noticed))
        longitude, latitude, uncertainty, withheld = world.longitude[i], world.latitude[i], 100, ""
        if rng.random() < 0.1:
            corner = np.floor(np.array([longitude, latitude]) / 0.2) * 0.2
            longitude, latitude = corner + rng.uniform(0, 0.2, size=2)
            uncertainty, withheld = 28_000, "coordinates obscured"
        rows += [
            {
                "eventID": f"visit-{visit:05d}",
                "scientificName": world.names[j],
                "occurrenceStatus": "present",
                "decimalLatitude": f"{latitude:.5f}",
                "decimalLongitude": f"{longitude:.5f}",
                "coordinateUncertaintyInMeters": str(uncertainty),
                "eventDate": f"{2000 + visit % 25}-{1 + visit % 12:02d}-{1 + visit % 28:02d}",
                "samplingProtocol": "observation",
                "basisOfRecord": "HumanObservation",
                "informationWithheld": withheld,
            }
            for j in here
        ]
    return rows


def write_table(path: Path, rows: list[dict[str, Any]]) -> Path:
    """Write a tab-separated Darwin Core table with an occurrenceID per row."""
    path.parent.mkdir(parents=True, exist_ok=True)
    header = ["occurrenceID", *dict.fromkeys(key for row in rows for key in row)]
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, header, delimiter="\t", lineterminator="\n", restval="")
        writer.writeheader()
        for number, row in enumerate(rows, 1):
            writer.writerow({"occurrenceID": f"{path.stem}-{number:06d}", **row})
    return path


def write_streams(path: Path, world: World) -> Path:
    """Write the stream network as GeoJSON: one flow line from each water to the next, drawn downstream."""
    x, y, lines = reaches(world.x, world.y, world.below)
    places = np.column_stack(degrees(x, y)).round(6).tolist()
    features = [
        {
            "type": "Feature",
            "properties": {"name": "Big River" if upper >= len(world.x) else f"Creek {upper}"},
            "geometry": {"type": "LineString", "coordinates": [places[upper], places[lower]]},
        }
        for upper, lower in lines.tolist()
    ]
    text = ",\n".join(json.dumps(feature) for feature in features)
    path.write_text(f'{{"type": "FeatureCollection", "features": [\n{text}\n]}}\n', encoding="utf-8")
    return path


def simulate(
    out: Path, *, seed: int, waters: int = 600, visits: int = 1500, by_water: float | None = None
) -> World:
    """Write surveys.txt, records.txt and streams.geojson to a folder; give the truth."""
    rng = np.random.default_rng(seed)
    world = make_world(rng, waters, by_water=by_water)
    write_table(out / "surveys.txt", survey(world, rng))
    write_table(out / "records.txt", collect(world, rng, visits=visits))
    write_streams(out / "streams.geojson", world)
    return world


def share(text: str) -> float:
    """A number from 0 to 1."""
    value = float(text)
    if not 0 <= value <= 1:
        raise argparse.ArgumentTypeError(f"{text} is not a share from 0 to 1")
    return value


def main() -> None:
    """Parse and run."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0] if __doc__ else "")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--waters", type=int, default=600)
    parser.add_argument("--visits", type=int, default=1500)
    parser.add_argument(
        "--by-water",
        type=share,
        metavar="SHARE",
        help="let fishes have spread from water to water: 1 along the streams, 0 over land, or in part",
    )
    parser.add_argument("--out", type=Path, required=True)
    given = parser.parse_args()
    simulate(given.out, seed=given.seed, waters=given.waters, visits=given.visits, by_water=given.by_water)
    print(f"wrote {given.out}/surveys.txt, records.txt and streams.geojson")


if __name__ == "__main__":
    main()
