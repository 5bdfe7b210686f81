"""``poolbuilder many``: the pools of many waters in one pass."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from poolbuilder.cli.options import layer_options, make_job, pool_options, store_option, water_type_option
from poolbuilder.cli.store import progress_line
from poolbuilder.many import build_many
from poolbuilder.places.sites import read_waters

__all__ = ["many"]


@click.command()
@click.argument("waters", type=click.Path(path_type=Path), metavar="WATERS.csv")
@click.option("--radius-km", type=float, default=40.0, show_default=True, help="For rows without a radius.")
@water_type_option
@pool_options
@layer_options
@store_option
@click.option(
    "--out", type=click.Path(path_type=Path), required=True, help="Folder for the pools and their summary."
)
@click.option(
    "--workers", type=click.IntRange(1), default=1, show_default=True, help="Processes on this machine."
)
@click.option(
    "--counts", is_flag=True, help="Only count the records of each candidate within the radius; quick."
)
@click.option(
    "--dask",
    metavar="ADDRESS",
    help="Dask scheduler to use in their place, such as tcp://host:8786. It is trusted wholly: it and its "
    "workers can run code here and read the store. Use one that you run, in a network that is yours.",
)
def many(
    waters: Path,
    radius_km: float,
    water_type: str | None,
    out: Path,
    workers: int,
    dask: str | None,
    counts: bool,
    **given: Any,
) -> None:
    """Build the pools of many waters: a table with name, latitude and longitude.

    It may give radius_km and water_type, too.  Each pool is the one that build gives for the
    water alone.  A run that was stopped goes on where it stood when it is started again with
    the same folder.
    """
    aside: list[str] = []
    sites = read_waters(waters, radius_km=radius_km, water_type=water_type, aside=aside)
    for line in aside:
        click.echo(f"note: {line}", err=True)
    job = make_job(sites[0], **given)
    if dask is not None:
        click.echo(f"note: the scheduler at {dask} is trusted wholly: it can run code here", err=True)
    result = build_many(sites, job, out, workers=workers, dask=dask, counts=counts, progress=progress_line)
    name = "records" if counts else "recordedSpecies"
    rows = zip(result["water"].to_pylist(), result[name].to_pylist(), strict=True)
    recorded = len({water for water, count in rows if count > 0})
    click.echo(f"{len(sites):,} waters, {recorded:,} with a candidate recorded in them or near")
    what = (
        "counts.csv holds all counts" if counts else "waters.csv is the summary; pools and pairs are Parquet"
    )
    click.echo(f"wrote {out} ({what})", err=True)
