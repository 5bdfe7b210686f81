"""``poolbuilder build``, ``report``, ``crosses`` and ``demo``: the pool of one water."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click
import pyarrow as pa

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
from poolbuilder.cli.output import emit, fitted, is_verbose, publish, refuse_other_place, show
from poolbuilder.job import TOOK
from poolbuilder.places.sites import Site
from poolbuilder.pool import Pool
from poolbuilder.words import pool_words


@click.command()
@place_options
@pool_options
@layer_options
@click.option("--outlines", metavar="FILE[:LAYER]", help="Outlines of states or counties to draw on the map.")
@record_options
@knowledge_options
@out_option
@click.option("--replace", is_flag=True, help="Let --out replace the pool of another place.")
@click.option("--explain-time", is_flag=True, help="Say at the end where the time went.")
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
    explain_time: bool,
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
    if explain_time:
        say(f"time: {pool_words.time_taken(TOOK)}")
    if not pool_words.has_data(pool):
        click.get_current_context().exit(3)


@click.command()
@click.argument("pool", type=click.Path(path_type=Path))
@click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Where the page goes. [default: report.html in the pool folder]",
)
@click.option(
    "--picture",
    "picture_file",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Write the map and the bars to a PNG, SVG or PDF file instead (needs poolbuilder[plot]).",
)
def report(pool: Path, out: Path | None, picture_file: Path | None) -> None:
    """Make the page of the pool in folder POOL again, or a picture for a paper."""
    from poolbuilder.folder import read_pool

    built = read_pool(pool)
    if picture_file is not None:
        from poolbuilder.pages.picture import picture

        click.echo(picture(built, picture_file))
        return
    from poolbuilder.pages import write_page
    from poolbuilder.pages.pool_page import render

    click.echo(write_page(render(built), out or pool / "report.html"))


def _lines(found: Pool, crosses: pa.Table, top: int) -> list[str]:
    """Pairs with what is known of them."""
    common = {row["scientificName"]: row["vernacularName"] for row in found.candidates.to_pylist()}

    def named(row: dict[str, Any]) -> str:
        both = [common.get(row[side]) or row[side] for side in ("parent1", "parent2")]
        return both[0] if row["parent1"] == row["parent2"] else " × ".join(both)

    cells = [
        (words.percent(row["weight"]), named(row), row["formula"], pool_words.known_of_pair(row))
        for row in crosses.slice(0, top).to_pylist()
    ]
    lines = fitted(("weight", "pair", "scientific names", "what is known"), cells, right=(0,))
    rest = crosses.num_rows - top
    return [*lines, f"and {rest} more (--top {crosses.num_rows} shows all)"] if rest > 0 else lines


@click.command()
@click.argument("pool", type=click.Path(path_type=Path))
@click.option("--include-pure", is_flag=True, help="Add each species itself to the hypotheses.")
@click.option(
    "--f1-share",
    type=float,
    help="Share of the weight that the pairs get beside the pure species. [default: the pool's f1Share]",
)
@click.option("--top", type=click.IntRange(min=1), default=20, show_default=True, help="Rows of the table.")
@format_option()
def crosses(pool: Path, include_pure: bool, f1_share: float | None, top: int, shape: str) -> None:
    """List the parent pairs of the pool in folder POOL, with their weights."""
    if f1_share is not None and not include_pure:
        raise click.UsageError("--f1-share says nothing without --include-pure")
    from poolbuilder.folder import read_pool
    from poolbuilder.model.pairs import with_pure

    found = read_pool(pool)
    settings = found.settings if f1_share is None else found.settings.replace(f1_share=f1_share)
    pairs = with_pure(found.crosses, found.candidates, settings=settings) if include_pure else found.crosses
    if not pool_words.has_data(found):
        click.echo(pool_words.findings(found))
        click.get_current_context().exit(3)
    emit(shape, lines=lambda: _lines(found, pairs, top), table=lambda: pairs)
    if include_pure and shape == "table":
        click.echo(f"pairs share {settings.f1_share:g} of the weight (f1Share), the species the rest")


@click.command()
@out_option
def demo(out: Path | None) -> None:
    """Run the whole job on an invented water that ships with poolbuilder."""
    from poolbuilder.demonstration import demo_pool

    pool = demo_pool()
    publish(pool, out or Path("demo_pool"))
    show(pool, "table", verbose=is_verbose())
