"""Lists of the target group for tests, made the way the package makes them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from poolbuilder.model.lists import Lists, lists_from
from poolbuilder.settings import Settings
from tests.rows import screened

SETTINGS = Settings()
KM = 1 / 111.2
"""Degrees of latitude in a kilometre."""

Made = tuple[float, float, int, Sequence[str], Sequence[str]]
"""East and north in km from 40 N, 90 W; year; candidates; other fishes."""


def rows_of(made: Sequence[Made]) -> list[dict[str, object]]:
    """SCREENED rows of lists; each is one event."""
    rows: list[dict[str, object]] = []
    for number, (east, north, year, own, other) in enumerate(made):
        place = {
            "eventID": f"event-{number:05d}",
            "longitude": -90 + east * KM / np.cos(np.radians(40)),
            "latitude": 40 + north * KM,
            "uncertaintyM": 30.0,
            "eventYear": year,
        }
        rows += [{**place, "scientificName": name} for name in own]
        rows += [{**place, "scientificName": name, "role": "group", "acceptedNames": []} for name in other]
        if not own and not other:
            rows.append({**place, "scientificName": "no fish", "role": "none", "rejectedBy": "absent"})
    return rows


def listed(made: Sequence[Made]) -> Lists:
    """Lists of these events."""
    return lists_from(screened(*rows_of(made)), settings=SETTINGS)


WARM = ("Micropterus salmoides", "Notemigonus crysoleucas", "Ameiurus natalis", "Fundulus notatus")
COLD = ("Salmo trutta", "Cottus bairdii", "Rhinichthys obtusus", "Salvelinus fontinalis")
BLUEGILL, GREEN, WARMOUTH = "Lepomis macrochirus", "Lepomis cyanellus", "Lepomis gulosus"
SPECIES = (GREEN, WARMOUTH, BLUEGILL)


def region(size: int, seed: int = 3, *, kept: float = 1.0) -> list[Made]:
    """Places of warm and cold waters side by side; bluegill lives in the warm, warmouth in the east."""
    rng = np.random.default_rng(seed)
    made: list[Made] = []
    for _ in range(size):
        east, north = rng.uniform(0, 100, size=2)
        warm = rng.random() < 0.5
        own = [
            name
            for name, chance in (
                (BLUEGILL, 0.85 if warm else 0.05),
                (GREEN, 0.4),
                (WARMOUTH, 0.5 if east > 60 else 0.02),
            )
            if rng.random() < chance
        ]
        other = [name for name in (WARM if warm else COLD) if rng.random() < 0.8]
        other += [name for name in (COLD if warm else WARM) if rng.random() < 0.1]
        made.append(
            (
                east,
                north,
                2015,
                [name for name in own if rng.random() < kept],
                [name for name in other if rng.random() < kept],
            )
        )
    return made
