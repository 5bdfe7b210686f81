"""The demo water: an invented reservoir with invented records of real species."""

from __future__ import annotations

import datetime
import tempfile
from dataclasses import replace
from importlib import resources
from pathlib import Path

from poolbuilder.job import Job
from poolbuilder.places.sites import Site
from poolbuilder.pool import Pool
from poolbuilder.records.store import Store
from poolbuilder.settings import Settings

SITE = Site(longitude=-91.2, latitude=36.9, radius_km=40, name="Kestrel Ford Lake (invented)")
AS_OF = datetime.date(2026, 6, 1)


def demo_pool(settings: Settings | None = None) -> Pool:
    """Build the pool of the demo water, by way of a store as any other pool.

    The records' day is fixed, so that the result is the same on every day.
    """
    settings = settings or Settings()
    folder = resources.files("poolbuilder") / "demo_data"
    with resources.as_file(folder) as data, tempfile.TemporaryDirectory() as scratch:
        store = Store(Path(scratch) / "store")
        store.add([data / "records.zip"], settings=settings)
        job = Job(
            site=SITE,
            as_of=AS_OF,
            ranges=[str(data / "ranges.geojson")],
            water=f"{data / 'layers.gpkg'}:outline",
            basins=f"{data / 'layers.gpkg'}:basins",
            streams=f"{data / 'layers.gpkg'}:streams",
            barriers=f"{data / 'layers.gpkg'}:barriers",
            store=store.path,
            settings=settings,
        )
        return _relative(job.run(), data)


def _relative(pool: Pool, data: Path) -> Pool:
    """The pool with its files named from the package on, the same on every machine."""
    prefix = f"{data}/"
    return replace(
        pool,
        inputs=[{**item, "path": str(item["path"]).replace(prefix, "demo_data/")} for item in pool.inputs],
        notes=[note.replace(prefix, "demo_data/") for note in pool.notes],
    )
