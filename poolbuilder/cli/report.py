"""``poolbuilder report``: the page of a pool folder again, or a picture of it."""

from __future__ import annotations

from pathlib import Path

import click

__all__ = ["report"]


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
    from poolbuilder.pages import render, write_page

    click.echo(write_page(render(built), out or pool / "report.html"))
