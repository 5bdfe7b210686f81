"""Small layers of water for tests, drawn in metres around one place."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from poolbuilder import Settings, Site
from poolbuilder.places.layers import Layer
from poolbuilder.water.outline import Outline, Plane, find_outline

SITE = Site(longitude=-91.0, latitude=37.0, radius_km=40, name="Test Pond")
PLANE = Plane(SITE.longitude, SITE.latitude)


def degrees(shape: Any) -> Any:
    """Metres around the site as degrees."""
    return PLANE.unproject(shape)


def places(*points: tuple[float, float]) -> tuple[np.ndarray, np.ndarray]:
    """Longitudes and latitudes of points in metres around the site."""
    x, y = np.array(points, dtype=float).T
    return PLANE.backward(x, y)


def line(*points: tuple[float, float]) -> Any:
    """A line through points in metres."""
    return degrees(shapely.LineString(points))


def layer(shapes: Sequence[Any], **attributes: Sequence[Any]) -> Layer:
    """A layer as `read_layer` gives it."""
    geometry = np.empty(len(shapes), dtype=object)
    geometry[:] = list(shapes)
    return Layer(
        geometry=geometry,
        attributes={name: list(values) for name, values in attributes.items()},
        numbers=np.arange(1, len(shapes) + 1),
        source={"path": "test.gpkg", "layer": "test", "sha256": "0" * 64, "rows": len(shapes)},
    )


def lake(shape: Any) -> Outline:
    """The water of one polygon in metres around the site, or near it."""
    outline, _ = find_outline(layer([degrees(shape)]), SITE, settings=Settings(water_snap_m=10_000))
    assert outline is not None
    return outline


def geojson(path: Path, shapes: Sequence[Any], **attributes: Sequence[Any]) -> str:
    """Write shapes of degrees as GeoJSON; the path as a spec."""
    features = [
        {
            "type": "Feature",
            "properties": {name: values[k] for name, values in attributes.items()},
            "geometry": shapely.geometry.mapping(shape),
        }
        for k, shape in enumerate(shapes)
    ]
    path.write_text(json.dumps({"type": "FeatureCollection", "features": features}), encoding="utf-8")
    return str(path)


def geopackage(
    path: Path, shapes: Sequence[Any], *, crs: str | None = "EPSG:4326", kind: str, fields: Mapping[str, Any] | None = None
) -> str:  # fmt: skip
    """Write shapes as a GeoPackage with one layer; the path as a spec."""
    import pyogrio

    fields = fields or {"name": ["a"] * len(shapes)}
    pyogrio.raw.write(
        path,
        geometry=shapely.to_wkb(np.array(shapes, dtype=object), output_dimension=4, flavor="iso"),
        field_data=[np.array(values) for values in fields.values()],
        fields=list(fields),
        driver="GPKG",
        geometry_type=kind,
        crs=crs,
    )
    return str(path)
