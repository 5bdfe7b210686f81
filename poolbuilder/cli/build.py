"""``poolbuilder build``: the pool of one water."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from poolbuilder import words
from poolbuilder.cli.options import (
    format_option,
    knowledge_options,
    layer_options,
    make_job,
    out_option,
    place_options,
    pool_options,
    radius_of,
    record_options,
    say,
)
from poolbuilder.cli.output import is_verbose, publish, refuse_other_place, show
from poolbuilder.places.sites import Site


@click.command()
@place_options
@pool_options
@layer_options
@click.option("--outlines", metavar="FILE[:LAYER]", help="Outlines of states or counties to draw on the map.")
@record_options
@knowledge_options
@out_option
@click.option("--replace", is_flag=True, help="Let --out replace the pool of another place.")
@format_option()
def build(
    lat: float,
    lon: float,
    name: str,
    radius_km: float | None,
    radius_mi: float | None,
    water_type: str | None,
    out: Path | None,
    replace: bool,
    shape: str,
    **given: Any,
) -> None:
    """Build the pool of one water: which species could be the parents here?

    Where no record lies within reach there is no answer: that is said, and the exit code is 3.
    """
    radius = radius_of(radius_km, radius_mi)
    site = Site(longitude=lon, latitude=lat, radius_km=radius, name=name, water_type=water_type)
    replaced = "" if out is None else refuse_other_place(site, out, replace=replace)
    pool = make_job(site, say=say, **given).run()
    if out is not None:
        publish(pool, out, replaced=replaced)
    show(pool, shape, verbose=is_verbose())
    if not words.has_data(pool):
        click.get_current_context().exit(3)
