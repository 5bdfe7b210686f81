"""Simulate surveys and records of a region whose truth is known: the same bytes for the same seed.

Waters lie on a drainage network; fishes live in them by the size of the stream, a gradient
across the region and gaps by drainage; surveyors catch nearly everything, casual collectors
go where it is easy, list little, and have some of their points obscured.  The species are
real, everything else is invented.  Run it from the project's folder, then calibrate::

    python demo/simulate.py --seed 1 --out simulated
    poolbuilder calibrate --events simulated/surveys.txt --out calibration
    poolbuilder calibrate --events simulated/surveys.txt --records simulated/records.txt --out calibration
"""

from __future__ import annotations

import argparse
import csv
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
    chance: Floats
    lives: NDArray[np.bool_]
    names: tuple[str, ...]

    @property
    def longitude(self) -> Floats:
        """Degrees east."""
        return WEST + self.x / (KM_PER_DEGREE * np.cos(np.radians(self.latitude)))

    @property
    def latitude(self) -> Floats:
        """Degrees north."""
        return SOUTH + self.y / KM_PER_DEGREE


def drain(x: Floats, y: Floats, height: Floats) -> tuple[Floats, Ints]:
    """Let every water run to the nearest lower one within 25 km; size and drainage of each."""
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
    return np.log1p(upstream), np.unique(mouth, return_inverse=True)[1].astype(np.int64)


def make_world(rng: np.random.Generator, waters: int) -> World:
    """Invent the waters of a region and who lives in them."""
    x, y = rng.uniform(0, EXTENT_KM, size=(2, waters))
    height = y + 8 * rng.normal(size=waters)
    size, basin = drain(x, y, height)
    warm = (x - EXTENT_KM / 2) / EXTENT_KM + 0.25 * np.sin(y / 25)
    names = (*SUNFISHES, *OTHERS)
    chance = np.zeros((waters, len(names)))
    for j in range(len(names)):
        best, pull = rng.uniform(0, 3.5), rng.normal(0, 3)
        logit = rng.normal(0.6, 0.8) - 0.9 * (size - best) ** 2 + pull * warm
        gap = rng.random(basin.max() + 1) < 0.15
        chance[:, j] = np.where(gap[basin], 0.003, 1 / (1 + np.exp(-logit)))
    return World(
        x=x, y=y, size=size, basin=basin, chance=chance, lives=rng.random(chance.shape) < chance, names=names
    )


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


def simulate(out: Path, *, seed: int, waters: int = 600, visits: int = 1500) -> World:
    """Write surveys.txt and records.txt to a folder; give the truth."""
    rng = np.random.default_rng(seed)
    world = make_world(rng, waters)
    write_table(out / "surveys.txt", survey(world, rng))
    write_table(out / "records.txt", collect(world, rng, visits=visits))
    return world


def main() -> None:
    """Parse and run."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0] if __doc__ else "")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--waters", type=int, default=600)
    parser.add_argument("--visits", type=int, default=1500)
    parser.add_argument("--out", type=Path, required=True)
    given = parser.parse_args()
    simulate(given.out, seed=given.seed, waters=given.waters, visits=given.visits)
    print(f"wrote {given.out}/surveys.txt and {given.out}/records.txt")


if __name__ == "__main__":
    main()
