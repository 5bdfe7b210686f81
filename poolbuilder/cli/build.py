"""``poolbuilder build``: the pool of one water."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from poolbuilder.cli.options import (
    knowledge_options,
    layer_options,
    make_job,
    out_option,
    place_options,
    pool_options,
    record_options,
)
from poolbuilder.cli.output import publish, show
from poolbuilder.places.sites import Site

FORMATS = ("table", "csv", "json")


@click.command()
@place_options
@pool_options
@layer_options
@click.option("--outlines", metavar="FILE[:LAYER]", help="Outlines of states or counties to draw on the map.")
@record_options
@knowledge_options
@out_option
@click.option(
    "--format",
    "shape",
    type=click.Choice(FORMATS),
    default="table",
    show_default=True,
    help="What stdout gets.",
)
def build(
    lat: float,
    lon: float,
    name: str,
    radius_km: float,
    water_type: str | None,
    out: Path | None,
    shape: str,
    **given: Any,
) -> None:
    """Build the pool of one water: which species could be the parents here?"""
    site = Site(longitude=lon, latitude=lat, radius_km=radius_km, name=name, water_type=water_type)
    pool = make_job(site, **given).run()
    if out is not None:
        publish(pool, out)
    show(pool, shape)
