"""What the map of the form draws to find one's way by: records, outlines and streams."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import shapely

from poolbuilder import tables
from poolbuilder.layers import read_layer
from poolbuilder.records.store import Store
from poolbuilder.water.labels import names_of

__all__ = ["places", "shapes"]

DRAWN_RECORDS = 300_000
DRAWN_PLACES = 20_000
DRAWN_SHAPES = 3_000
CELL = 0.02
FINE_DEGREES = 0.0005


def places(store: Store) -> list[tuple[float, float]]:
    """Where a store holds records, coarsely.

    Returns
    -------
    list of (longitude, latitude)
        Middles of small cells; of the parts of the store when it is large.
    """
    if store.is_empty:
        return []
    if store.records > DRAWN_RECORDS:
        boxes = np.concatenate([item.groups.box for item in store.index.of_kind("placed")])
        middles = np.stack([boxes[:, [0, 2]].mean(axis=1), boxes[:, [1, 3]].mean(axis=1)], axis=1)
    else:
        parts = [np.zeros((0, 2))]
        for batch in store.batches():
            longitude = tables.numbers(batch["decimalLongitude"])
            latitude = tables.numbers(batch["decimalLatitude"])
            parts.append(np.stack([longitude, latitude], axis=1))
        middles = np.concatenate(parts)
    # 0, 0 is where broken coordinates fall; the screen rejects them, the map leaves them out.
    known = np.isfinite(middles).all(axis=1) & (np.abs(middles) <= [180, 90]).all(axis=1)
    known &= (middles != 0).any(axis=1)
    cells = np.unique(np.round(middles[known] / CELL).astype(np.int64), axis=0)[:DRAWN_PLACES]
    return [(round(x * CELL, 3), round(y * CELL, 3)) for x, y in cells.tolist()]


def shapes(spec: str, *, purpose: str) -> list[dict[str, Any]]:
    """The largest features of a layer, thinned: ``geometry`` as GeoJSON, and ``name``.

    Raises
    ------
    LayerError
        When the layer cannot be read.
    """
    layer = read_layer(spec, purpose=purpose)
    names = names_of(layer.attributes, layer.rows)
    size = shapely.area(layer.geometry) + 1e-9 * shapely.length(layer.geometry)
    drawn = []
    for row in np.argsort(-size, kind="stable")[:DRAWN_SHAPES].tolist():
        thin = shapely.set_precision(shapely.simplify(layer.geometry[row], FINE_DEGREES), 1e-5)
        if not thin.is_empty:
            drawn.append({"geometry": json.loads(shapely.to_geojson(thin)), "name": names[row] or ""})
    return drawn
