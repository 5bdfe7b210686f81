"""``poolbuilder build``: the pool of one water."""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from pathlib import Path

import click

from poolbuilder.cli.options import (
    layer_options,
    out_option,
    place_options,
    pool_options,
    read_settings,
    record_options,
    renames,
    store_path,
)
from poolbuilder.cli.output import publish, show
from poolbuilder.job import Job
from poolbuilder.settings import read_calibration
from poolbuilder.site import Site

FORMATS = ("table", "csv", "json")


@click.command()
@place_options
@pool_options
@layer_options
@record_options
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
    checklist: str,
    ranges: tuple[str, ...],
    settings_file: Path | None,
    as_of: datetime.date,
    water: str | None,
    basins: str | None,
    streams: str | None,
    barriers: str | None,
    store: Path | None,
    records: Sequence[Path],
    mapping: tuple[str, ...],
    out: Path | None,
    shape: str,
) -> None:
    """Build the pool of one water: which species could be the parents here?"""
    job = Job(
        site=Site(longitude=lon, latitude=lat, radius_km=radius_km, name=name),
        as_of=as_of,
        checklist=checklist,
        ranges=ranges,
        water=water,
        basins=basins,
        streams=streams,
        barriers=barriers,
        store=store_path(store),
        records=records,
        renames=renames(mapping),
        settings=read_settings(settings_file),
        calibration=None if settings_file is None else read_calibration(settings_file),
    )
    pool = job.run()
    if out is not None:
        publish(pool, out)
    show(pool, shape)
