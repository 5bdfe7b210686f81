"""``poolbuilder replay``: the records of an older pool again, without network."""

from __future__ import annotations

from pathlib import Path

import click

from poolbuilder.cli.options import store_option, store_path

__all__ = ["replay"]


@click.command()
@click.argument("pool", type=click.Path(path_type=Path))
@store_option
@click.option(
    "--out", type=click.Path(path_type=Path), required=True, help="Folder of the store to fill; new or empty."
)
def replay(pool: Path, store: Path | None, out: Path) -> None:
    """Put the records that a pool rests on into a store of their own, as they were.

    The service is not asked: its answers are kept beside the store, each with its hash. A
    build with the same place and --as-of then gives the same pool.
    """
    from poolbuilder.folder import read_pool
    from poolbuilder.intake import put_back

    records, others = put_back(read_pool(pool).inputs, store=store_path(store), into=out)
    click.echo(f"{out} holds {records:,} records of the service")
    for other in others:
        click.echo(f"add it yourself: {other}")
