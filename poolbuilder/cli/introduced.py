"""``poolbuilder introduced``: species near many waters that do not belong there."""

from __future__ import annotations

import datetime
from pathlib import Path
from typing import Any

import click

from poolbuilder.cli.options import (
    day,
    format_option,
    layer_options,
    make_job,
    out_option,
    pool_options,
    store_option,
)
from poolbuilder.cli.output import emit
from poolbuilder.cli.store import progress_line

__all__ = ["introduced"]


@click.command()
@click.argument("waters", type=click.Path(path_type=Path), metavar="WATERS.csv")
@click.option("--radius-km", type=float, default=40.0, show_default=True, help="For rows without a radius.")
@click.option("--group", metavar="NAME", help="Genus, family or class to look for, in place of a checklist.")
@click.option(
    "--region-list",
    type=click.Path(path_type=Path),
    help="CSV of region, scientificName, establishmentMeans: the checklists of regions.",
)
@click.option("--regions", metavar="FILE[:LAYER]", help="Polygons of the regions in --region-list.")
@click.option(
    "--since", type=day, metavar="DATE", help="Species first recorded on or after this day are new."
)
@click.option(
    "--previous",
    type=click.Path(path_type=Path, file_okay=False),
    help="Folder of an earlier run; what it did not have is new.",
)
@click.option(
    "--fail-on", type=click.Choice(["new"]), help="Exit with 4 when an introduced species is new at a water."
)
@format_option()
@pool_options
@layer_options
@store_option
@out_option
@click.option(
    "--workers", type=click.IntRange(1), default=1, show_default=True, help="Processes on this machine."
)
def introduced(
    waters: Path,
    radius_km: float,
    group: str | None,
    region_list: Path | None,
    regions: str | None,
    since: datetime.date | None,
    previous: Path | None,
    fail_on: str | None,
    shape: str,
    out: Path | None,
    workers: int,
    **given: Any,
) -> None:
    """Find species near each of many waters that do not belong there, and what is new.

    Native or introduced is taken from range polygons, from the records near a water, from the
    checklists of its regions, and from the checklist, in this order; a disagreement is said.
    What nobody says is listed apart and never guessed.

    Records may be wrong or old: verify before acting.  Legal status and duties to report are
    set by local law and the agency in charge, which this tool does not know.
    """
    from poolbuilder.introduced import Season, find_introduced, read_run, write_run
    from poolbuilder.introduced.files import introduced_table
    from poolbuilder.introduced.lines import run_lines
    from poolbuilder.places.sites import read_waters

    if (region_list is None) != (regions is None):
        raise click.UsageError("--region-list and --regions belong together")
    if fail_on and since is None and previous is None:
        raise click.UsageError("--fail-on new needs --previous or --since to compare with")
    sites = read_waters(waters, radius_km=radius_km)
    season = Season(since=since, before=None if previous is None else read_run(previous))
    job = make_job(sites[0], **given)
    run = find_introduced(
        sites,
        job,
        group=group,
        regions=(str(region_list), regions) if region_list and regions else None,
        season=season,
        workers=workers,
        progress=progress_line,
    )
    emit(
        shape,
        lines=lambda: run_lines(run),
        table=lambda: introduced_table(run),
        document=lambda: run.document,
    )
    if out is not None:
        click.echo(f"wrote {write_run(run, out)} (open introduced.html in a browser)", err=True)
    new = run.new()
    if fail_on and new:
        named = "; ".join(f"{item['water']}: {row['scientificName']}" for item, row in new)
        click.echo(f"found: new: {named}", err=True)
        click.get_current_context().exit(4)
